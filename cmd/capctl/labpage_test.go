package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"capd.example/internal/cli"
	"capd.example/store"
	"capd.example/store/lab"
)

// testLabPage opens the page over two benches as a browser would: it shows both and their
// passes, says what comes, and takes no orders.
func testLabPage(t *testing.T, address string) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", dir)
	call := func(args ...string) (string, int) {
		var out, msg bytes.Buffer
		status := run(t.Context(), append(args, "--address", address), strings.NewReader(""), &out, &msg)
		return msg.String(), status
	}
	if text, status := call("lab", "page"); status != cli.Failed || !strings.Contains(text, "capctl lab setup") {
		t.Errorf("a database without tables: %d %s", status, text)
	}
	if text, status := call("lab", "setup"); status != cli.Done {
		t.Fatal(text)
	}
	for _, listen := range []string{"0.0.0.0:0", "192.0.2.1:80", "8471", "localhost:8471"} {
		if text, status := call("lab", "page", "--listen", listen); status != cli.Usage || !strings.Contains(text, listen) {
			t.Errorf("%s: %d %s", listen, status, text)
		}
	}
	forward := func(bench string) string {
		t.Helper()
		s := matrixStore(t, t.TempDir(), bench)
		if _, err := (&lab.Forwarder{Store: s, Bench: bench, Address: address}).Forward(t.Context()); err != nil {
			t.Fatal(err)
		}
		p, err := s.Passes(t.Context(), store.Filter{Newest: true, Limit: 1})
		if err != nil || len(p) != 1 {
			t.Fatal(err)
		}
		return p[0].ID
	}
	id := forward("bench-1")

	ctx, stop := context.WithCancel(t.Context())
	r, w := io.Pipe()
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"lab", "page", "--listen", "127.0.0.1:0", "--every", "1s", "--address", address}, strings.NewReader(""), io.Discard, w)
		w.Close()
	}()
	line, err := bufio.NewReader(r).ReadString('\n')
	base := regexp.MustCompile(`http://127\.0\.0\.1:\d+`).FindString(line)
	if err != nil || base == "" {
		t.Fatalf("%q, %v", line, err)
	}
	go io.Copy(io.Discard, r)
	get := func(path string) (int, string) {
		t.Helper()
		resp, err := http.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(text)
	}
	status, text := get("/")
	for _, part := range []string{`href="/bench/bench-1"`, `href="/pass/` + id, "Corvus 9", "Bench bench-1:"} {
		if status != 200 || !strings.Contains(text, part) {
			t.Errorf("status %d, %q is not in %.3000s", status, part, text)
		}
	}
	for _, part := range []string{"<form", "No log is being written", "capctl page"} {
		if strings.Contains(text, part) {
			t.Errorf("a lab's page has %q", part)
		}
	}
	if status, text := get("/pass/" + id); status != 200 || !strings.Contains(text, "<svg") {
		t.Errorf("a pass: status %d", status)
	}
	if status, text := get("/bench/bench-1"); status != 200 || !strings.Contains(text, `href="/pass/`+id) {
		t.Errorf("a bench: status %d", status)
	}
	for _, path := range []string{"/bench/bench-9", "/bench/%00", "/bench/a%2F%3Cb%3E", "/cell/1", "/map", "/pass/ffffffffffff", "/metrics"} {
		if status, _ := get(path); status != 404 {
			t.Errorf("%s: status %d", path, status)
		}
	}
	resp, err := http.Get(base + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	wait := func(part string) {
		t.Helper()
		for lines.Scan() {
			if strings.Contains(lines.Text(), part) {
				return
			}
		}
		t.Fatalf("the stream ended before %q", part)
	}
	wait("bench-1")
	forward("bench-2")
	wait(`href="/bench/bench-2"`)
	wait("bench-2, ")
	stop()
	if status := <-ended; status != cli.Done {
		t.Errorf("status %d", status)
	}
	http.DefaultClient.CloseIdleConnections()
}
