package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/notify"
	"capd.example/record"
	"capd.example/store"
)

// standIn answers for an agent; the socket and the service are the real ones.
type standIn struct {
	status control.Status
	begun  map[string]string

	devices []control.Device
}

func (s *standIn) Status(context.Context) (control.Status, error) { return s.status, nil }
func (s *standIn) Overhead(context.Context) (control.Overhead, error) {
	return control.Overhead{PID: 42, AgeS: 100, ProcessorS: 0.025, Percent: 0.025, WakeUps: 150, WakeUpsPerS: 1.5, ResidentBytes: 12 << 20, Samples: 98}, nil
}
func (s *standIn) Begin(_ context.Context, tags map[string]string, _ bool) error {
	s.begun = tags
	return nil
}
func (s *standIn) Pause(_ context.Context, reason string) error { s.status.Paused = reason; return nil }
func (s *standIn) Resume(context.Context) error                 { s.status.Paused = ""; return nil }
func (s *standIn) Stop(context.Context, bool) error             { return nil }
func (s *standIn) TestAlert(_ context.Context, channel string) (map[string]error, error) {
	if channel == "terminal" {
		return map[string]error{"terminal": nil}, nil
	}
	return map[string]error{"terminal": nil, "web hook": errors.New("answered 500")}, nil
}

func (s *standIn) Invite(_ context.Context, name string) (control.Invitation, error) {
	return control.Invitation{Addresses: []string{"http://192.0.2.7:8470", "http://[2001:db8::7]:8470"}, Code: "ABCDEFGHIJKLMNOP", Until: time.Date(2026, 3, 1, 12, 5, 0, 0, time.UTC)}, nil
}
func (s *standIn) Monitor(context.Context, string) (string, error) { return "TOKEN", nil }
func (s *standIn) Devices(context.Context) ([]control.Device, error) {
	return s.devices, nil
}
func (s *standIn) Revoke(_ context.Context, id string) error {
	for i, d := range s.devices {
		if d.ID == id {
			s.devices = append(s.devices[:i], s.devices[i+1:]...)
			return nil
		}
	}
	return errors.New("there is no such device: " + id)
}

func standInAgent(t *testing.T, dir string, a control.Agent) *control.Hub {
	t.Helper()
	hub := &control.Hub{}
	s, err := control.Listen(context.Background(), dir, a, hub)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); s.Run(ctx) }()
	t.Cleanup(func() { stop(); <-ended })
	return hub
}

func capctl(t *testing.T, dir string, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	var out, msg bytes.Buffer
	status = run(context.Background(), append([]string{"--data", dir}, args...), strings.NewReader(""), &out, &msg)
	return status, out.String(), msg.String()
}

func TestCommandsWithoutAnAgent(t *testing.T) {
	for _, command := range []string{"status", "follow", "pause", "resume", "begin", "overhead", "page"} {
		dir := t.TempDir()
		status, out, msg := capctl(t, dir, command)
		if status != cli.Failed || out != "" || !strings.Contains(msg, "no agent is running") || !strings.Contains(msg, "hint: start it with 'capd --data "+dir+" run'") {
			t.Errorf("%s: status %d, %q, %q", command, status, out, msg)
		}
	}
}

func TestStatusCommand(t *testing.T) {
	dir := t.TempDir()
	a := &standIn{status: control.Status{Bench: "bench-a", Version: "v1", PID: 42, Since: time.Now(), Watch: "/logs", Growing: 1, Passes: 3, Bad: 1,
		Last: &record.Pass{ID: "abc", Verdict: record.VerdictBad, Findings: []record.Finding{{Check: "completeness", Outcome: record.Bad, Reason: "24.1 s of 60 s"}}}}}
	standInAgent(t, dir, a)
	status, _, msg := capctl(t, dir, "pause", "--reason", "parts are being swapped")
	if status != cli.Done {
		t.Fatalf("pause: %d %s", status, msg)
	}
	status, out, _ := capctl(t, dir, "status")
	for _, want := range []string{"bench-a", "1 being written", "parts are being swapped", "3 since the start, 1 of them bad", "BAD  abc", "completeness: 24.1 s of 60 s"} {
		if status != cli.Done || !strings.Contains(out, want) {
			t.Errorf("status %d without %q:\n%s", status, want, out)
		}
	}
	_, out, _ = capctl(t, dir, "status", "--json")
	var s control.Status
	if err := json.Unmarshal([]byte(out), &s); err != nil || s.PID != 42 || strings.Count(out, "\n") != 1 {
		t.Errorf("%v: %s", err, out)
	}
	if status, _, msg := capctl(t, dir, "begin", "game=Nimbus Drift"); status != cli.Done || a.begun["game"] != "Nimbus Drift" {
		t.Errorf("begin: %d %s", status, msg)
	}
	if status, _, _ := capctl(t, dir, "begin", "game"); status != cli.Usage {
		t.Errorf("begin without =: %d", status)
	}
}

// lineWriter gives a test each line as it is printed.
type lineWriter struct{ lines chan string }

func (w lineWriter) Write(p []byte) (int, error) { w.lines <- string(p); return len(p), nil }

func TestFollowCommand(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	hub := standInAgent(t, dir, &standIn{})
	ready := lineWriter{make(chan string, 8)}
	var out bytes.Buffer
	ended := make(chan int, 1)
	go func() {
		ended <- run(context.Background(), []string{"--data", dir, "follow", "--count", "2", "--verdict", "bad"}, nil, &out, ready)
	}()
	<-ready.lines
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.Local)
	for _, v := range []record.Verdict{record.Clean, record.VerdictBad, record.Clean, record.VerdictBad} {
		hub.Publish(control.Event{Kind: control.KindPass, At: at, Pass: &record.Pass{ID: "p-" + string(v), Verdict: v}})
	}
	if status := <-ended; status != cli.Found {
		t.Errorf("status %d", status)
	}
	if want := "12:00:00  BAD  p-bad  (no tags)  0.0 FPS, 1% low 0.0\n"; out.String() != want+want {
		t.Errorf("printed %q", out.String())
	}
}

func TestAlertsCommand(t *testing.T) {
	dir := t.TempDir()
	ctx := context.Background()
	if status, _, msg := capctl(t, dir, "alerts"); status != cli.Failed || msg == "" {
		t.Errorf("without a store: %d %q", status, msg)
	}
	s, err := store.Open(ctx, filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	first := notify.FromTrouble("bench-a", "store is full", "free some space", time.Now())
	second := notify.FromTrouble("bench-a", "the folder is gone", "make it", time.Now())
	for _, x := range []struct {
		a       notify.Alert
		channel string
	}{{first, "terminal"}, {first, "web hook"}, {second, "terminal"}} {
		payload, _ := json.Marshal(x.a)
		if err := s.Enqueue(ctx, store.Alert{ID: x.a.ID + "/" + x.channel, Channel: x.channel, Payload: payload}); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(s.Delivered(ctx, first.ID+"/terminal"), s.Failed(ctx, first.ID+"/web hook", io.ErrUnexpectedEOF, time.Now().AddDate(100, 0, 0))); err != nil {
		t.Fatal(err)
	}
	status, out, msg := capctl(t, dir, "alerts")
	for _, want := range []string{"TROUBLE store is full -> free some space", "terminal: delivered, web hook: given up after 1 failure", "terminal: waiting"} {
		if status != cli.Done || !strings.Contains(out, want) {
			t.Errorf("status %d without %q: %s\n%s", status, want, msg, out)
		}
	}
	if status, _, msg = capctl(t, dir, "alerts", "--ack", first.ID[:8]); status != cli.Done {
		t.Errorf("acknowledge: %d %s", status, msg)
	}
	_, out, _ = capctl(t, dir, "alerts", "--open", "--json")
	if strings.Count(out, "\n") != 1 || !strings.Contains(out, second.ID) {
		t.Errorf("open after the acknowledgement:\n%s", out)
	}
	if status, _, _ = capctl(t, dir, "alerts", "--ack", "zzz"); status != cli.Failed {
		t.Errorf("acknowledge of an unknown alert: %d", status)
	}
	if status, _, msg = capctl(t, dir, "alerts", "--ack-all"); status != cli.Done || !strings.Contains(msg, "acknowledged 1") {
		t.Errorf("acknowledge all: %d %s", status, msg)
	}
	standInAgent(t, dir, &standIn{})
	if status, out, _ = capctl(t, dir, "alerts", "--test"); status != cli.Found || !strings.Contains(out, "terminal: delivered") || !strings.Contains(out, "web hook: answered 500") {
		t.Errorf("test: %d\n%s", status, out)
	}
	if status, _, _ = capctl(t, dir, "alerts", "--test", "--channel", "terminal"); status != cli.Done {
		t.Errorf("test of one: %d", status)
	}
	if _, err := os.Stat(control.SocketPath(dir)); err != nil {
		t.Error(err)
	}
}

// The page's devices: an address to open, a list, and taking one back; one thing at a time.
func TestPageCommand(t *testing.T) {
	dir := t.TempDir()
	standInAgent(t, dir, &standIn{devices: []control.Device{{ID: "k3v2aq", Name: "phone"}, {ID: "b2c3d4", Name: "lab", Program: true}}})
	if status, out, msg := capctl(t, dir, "page"); status != cli.Done || !strings.HasPrefix(out, "http://192.0.2.7:8470/pair#ABCDEFGHIJKLMNOP\n") || !strings.Contains(msg, "not encrypted") {
		t.Errorf("status %d, %.80q, %q", status, out, msg)
	}
	status, out, _ := capctl(t, dir, "page", "--json")
	var i control.Invitation
	if err := json.Unmarshal([]byte(out), &i); status != cli.Done || err != nil || i.Code != "ABCDEFGHIJKLMNOP" || len(i.Addresses) != 2 {
		t.Errorf("status %d, %v, %q", status, err, out)
	}
	if status, out, _ := capctl(t, dir, "page", "--monitor"); status != cli.Done || out != "TOKEN\n" {
		t.Errorf("status %d, %q", status, out)
	}
	if status, out, _ := capctl(t, dir, "page", "--devices"); status != cli.Done || !strings.Contains(out, "k3v2aq") || !strings.Contains(out, "reads /metrics") {
		t.Errorf("status %d, %q", status, out)
	}
	if status, _, msg := capctl(t, dir, "page", "--revoke", "k3v2aq", "--revoke", "zzz"); status != cli.Failed || !strings.Contains(msg, "k3v2aq may no longer") || !strings.Contains(msg, "no such device: zzz") {
		t.Errorf("status %d, %q", status, msg)
	}
	if status, out, _ := capctl(t, dir, "page", "--devices", "--json"); status != cli.Done || strings.Count(out, "\n") != 1 || !strings.Contains(out, `"program":true`) {
		t.Errorf("status %d, %q", status, out)
	}
	if status, _, _ := capctl(t, dir, "page", "--devices", "--monitor"); status != cli.Usage {
		t.Errorf("status %d", status)
	}
}
