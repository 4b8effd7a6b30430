package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"capd.example/config"
	"capd.example/internal/cli"
	"capd.example/internal/labtalk"
	"capd.example/internal/testlab/postgres"
	"capd.example/notify"
	"capd.example/store/lab"
)

func TestLab(t *testing.T) {
	server, err := postgres.Begin()
	if errors.Is(err, postgres.ErrMissing) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.End)
	t.Run("notes", func(t *testing.T) { testNotes(t, newLab(t, server, "notes")) })
	t.Run("frozen", func(t *testing.T) { testFrozen(t, newLab(t, server, "frozen")) })
	t.Run("page", func(t *testing.T) { testLabPage(t, newLab(t, server, "page")) })
	t.Run("watch", func(t *testing.T) { testWatch(t, server, newLab(t, server, "watch")) })
}

func newLab(t *testing.T, server *postgres.Server, name string) (address string) {
	t.Helper()
	address, err := server.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	return address
}

// testWatch watches a lab in which a bench falls silent while its campaign is open: once
// from a script, and going on, with the alert through the configuration's web hook.
func testWatch(t *testing.T, server *postgres.Server, address string) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", dir)
	s := matrixStore(t, dir, "bench-1")
	call := func(ctx context.Context, args ...string) (out, messages string, status int) {
		var o, m bytes.Buffer
		status = run(ctx, append(args, "--address", address), strings.NewReader(""), &o, &m)
		return o.String(), m.String(), status
	}
	if _, text, status := call(t.Context(), "lab", "setup"); status != cli.Done {
		t.Fatal(text)
	}
	f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: address, Campaign: func() (string, int) { return "spring", 12 }}
	if _, err := f.Forward(t.Context()); err != nil {
		t.Fatal(err)
	}
	if out, text, status := call(t.Context(), "lab", "watch", "--once"); status != cli.Done || out != "" || !strings.Contains(text, "all benches are in order") {
		t.Errorf("all is well: %d %s%s", status, out, text)
	}
	silence := func(minutes int) {
		t.Helper()
		if _, err := postgres.Ask(address, fmt.Sprintf("UPDATE capd.benches SET seen_at = now() - interval '%d minutes', bench_at = now() - interval '%[1]d minutes'", minutes)); err != nil {
			t.Fatal(err)
		}
	}
	silence(45)
	if out, _, status := call(t.Context(), "lab", "watch", "--once"); status != cli.Found || !strings.Contains(out, "campaign spring still wants 12 passes") {
		t.Errorf("silent: %d %s", status, out)
	}
	out, _, status := call(t.Context(), "lab", "watch", "--once", "--json")
	var alarm lab.Alarm
	if err := json.Unmarshal([]byte(out), &alarm); err != nil || status != cli.Found || alarm.Bench != "bench-1" || alarm.About != "silent" {
		t.Errorf("silent: %d %s, %v", status, out, err)
	}
	if _, text, status := call(t.Context(), "lab", "watch", "--silent", "0s"); status != cli.Usage {
		t.Errorf("no limit: %d %s", status, text)
	}
	silence(0)
	alerts := make(chan notify.Alert, 10)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var x struct{ Alert notify.Alert }
		body, _ := io.ReadAll(r.Body)
		if err := json.Unmarshal(body, &x); err != nil {
			t.Errorf("%s: %v", body, err)
		}
		alerts <- x.Alert
	}))
	t.Cleanup(hook.Close)
	conf := filepath.Join(dir, "watch.toml")
	if err := os.WriteFile(conf, fmt.Appendf(nil, "data = %q\n[notify]\nweb_hook = %q\n", dir, hook.URL), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan string, 1)
	go func() {
		out, text, status := call(ctx, "--config", conf, "lab", "watch", "--every", "1s", "--json")
		ended <- fmt.Sprint(status, out, text)
	}()
	got := func(says string) {
		t.Helper()
		select {
		case x := <-alerts:
			if !strings.Contains(x.Text, says) || x.Advice == "" {
				t.Errorf("alert %+v, want one that says %q", x, says)
			}
		case x := <-ended:
			t.Fatalf("it ended: %s", x)
		case <-time.After(time.Minute):
			t.Fatalf("no alert that says %q", says)
		}
	}
	silence(45)
	got("bench bench-1 was last heard of")
	if err := server.Stop(); err != nil {
		t.Fatal(err)
	}
	got("the lab cannot be watched")
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := postgres.Ask(address, "UPDATE capd.benches SET backlog = 500"); err != nil {
		t.Fatal(err)
	}
	got("still had 500 passes to send") // it goes on, and says nothing twice
	stop()
	text := <-ended
	if !strings.HasPrefix(text, "0") || strings.Count(text, `"about":"silent"`) != 1 || strings.Count(text, `"about":"backlog"`) != 1 {
		t.Errorf("in the end: %s", text)
	}
}

// freezer carries bytes to a server, and none any more while it is frozen.
type freezer struct{ frozen atomic.Bool }

func (f *freezer) serve(t *testing.T, to string) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			go f.carry(out, in)
			go f.carry(in, out)
		}
	}()
	return l.Addr().String()
}

func (f *freezer) carry(to, from net.Conn) {
	defer to.Close()
	piece := make([]byte, 4096)
	for {
		n, err := from.Read(piece)
		if err != nil {
			return
		}
		if !f.frozen.Load() {
			to.Write(piece[:n])
		}
	}
}

// testFrozen: a lab that takes what is asked and answers nothing is told of, and is watched
// again when it answers.
func testFrozen(t *testing.T, address string) {
	dir := t.TempDir()
	s := matrixStore(t, dir, "bench-1")
	direct, err := lab.Open(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	defer direct.Close()
	if _, err := direct.Setup(t.Context(), lab.Options{}); err != nil {
		t.Fatal(err)
	}
	if _, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: address}).Forward(t.Context()); err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	var ice freezer
	u.Host = ice.serve(t, u.Host)
	l, err := lab.Open(t.Context(), u.String())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	ctx, stop := context.WithCancel(t.Context())
	reader, out := io.Pipe()
	ended := make(chan error, 1)
	w := labtalk.Watcher{Streams: &cli.Streams{Out: out, Err: io.Discard}, Lab: l, Every: 50 * time.Millisecond, Patience: 2 * time.Second,
		Limits: lab.Limits{Silent: time.Hour, Clock: 3600, Backlog: 100, Bad: 1000, Within: time.Hour}, Notify: config.Notify{TimeoutS: 10}}
	go func() { ended <- w.Run(ctx) }()
	lines := make(chan string, 1000)
	go func() {
		for said := bufio.NewScanner(reader); said.Scan(); {
			lines <- said.Text()
		}
	}()
	got := func(says string) {
		t.Helper()
		over := time.After(30 * time.Second)
		for {
			select {
			case line := <-lines:
				if strings.Contains(line, says) {
					return
				}
			case err := <-ended:
				t.Fatalf("it ended: %v", err)
			case <-over:
				t.Fatalf("no line that says %q", says)
			}
		}
	}
	set := func(column string) {
		t.Helper()
		if _, err := postgres.Ask(address, "UPDATE capd.benches SET "+column); err != nil {
			t.Fatal(err)
		}
	}
	set("backlog = 400")
	got("still had 400 passes to send")
	ice.frozen.Store(true)
	got("has not answered within 2s")
	set("bench_at = seen_at + interval '5 hours'")
	ice.frozen.Store(false)
	got("has a clock that is off")
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// testNotes: rows that are none are named on standard error, and for programs beside the
// answer.
func testNotes(t *testing.T, address string) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", dir)
	s := matrixStore(t, dir, "bench-1")
	call := func(args ...string) (out, messages string, status int) {
		var o, m bytes.Buffer
		status = run(t.Context(), args, strings.NewReader(""), &o, &m)
		return o.String(), m.String(), status
	}
	call("lab", "setup", "--address", address)
	if _, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: address}).Forward(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := postgres.Ask(address, "UPDATE capd.passes SET doc = 'x' WHERE id IN (SELECT id FROM capd.passes ORDER BY at LIMIT 12)"); err != nil {
		t.Fatal(err)
	}
	out, text, status := call("--store", address, "passes")
	if status != cli.Done || strings.Count(text, "its document cannot be read") != 10 || !strings.Contains(text, "2 more of this kind") {
		t.Errorf("for people: %d %s%s", status, out, text)
	}
	for _, args := range [][]string{{"--store", address, "passes", "--json"}, {"--store", address, "--as-sent", "cells", "--json"}, {"lab", "passes", "--address", address}} {
		out, text, status := call(args...)
		if status != cli.Done || strings.Count(out, `"error":"its document cannot be read`) != 12 {
			t.Errorf("%v: %d %s%s", args, status, out, text)
		}
	}
}
