package page

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"capd.example/control"
	"capd.example/internal/testlab"
	"capd.example/page/view"
	"capd.example/record"
)

// A name that somebody else controls may lead here (DNS rebinding); the error names the line
// that lets a name of this machine in.
func TestOtherNames(t *testing.T) {
	s := handled(bench(), "bench-1.lan")
	for name, status := range map[string]int{
		"127.0.0.1:8470": 200, "[::1]:8470": 200, "localhost:8470": 200, "LOCALHOST": 200, "127.9.9.9": 200,
		"192.0.2.7:8470": 303, "bench-1.lan:8470": 303, "Bench-1.LAN.": 303, // other machines come by these: to pair
		"evil.example": 403, "evil.example:8470": 403, "localhost.evil.example": 403, "127.0.0.1.evil.example": 403, "": 403,
		"bench-1.lan.evil.example:8470": 403, "<script>": 403, "a b": 403,
	} {
		w := get(s, "/", host(name))
		if w.Code != status {
			t.Errorf("host %q: status %d, want %d", name, w.Code, status)
		}
		if status == 403 && (strings.Contains(w.Body.String(), "Copper Drift") || strings.Contains(w.Body.String(), "<") || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain")) {
			t.Errorf("host %q is told %q", name, w.Body)
		}
	}
	contains(t, "the hint", get(s, "/", host("bench-2.lan:8470")).Body.String(), "[page]", "\nnames = [\"bench-1.lan\", \"bench-2.lan\"]\n")
	far := get(s, "/", host("bench-2.lan:8470"), func(r *http.Request) { r.RemoteAddr = "192.0.2.9:1" }).Body.String()
	contains(t, "the hint elsewhere", far, "\nnames = [\"bench-1.lan\", \"bench-2.lan\"]\n")
	if strings.Contains(far, "/home/u") {
		t.Errorf("another machine is told where the file lies: %q", far)
	}
	if text := get(s, "/", host(strings.Repeat("a", 300))).Body.String(); strings.Contains(text, "aaa") {
		t.Errorf("an endless name is repeated: %q", text)
	}
}

// What another site makes a browser ask is refused, but for a link to a page.
func TestOtherSites(t *testing.T) {
	s := handled(bench())
	for _, q := range []struct {
		what   string
		change []func(*http.Request)
		status int
	}{
		{"plain", nil, 200},
		{"typed", []func(*http.Request){header("Sec-Fetch-Site", "none")}, 200},
		{"own script", []func(*http.Request){header("Sec-Fetch-Site", "same-origin"), header("Origin", "http://127.0.0.1:8470")}, 200},
		{"link", []func(*http.Request){header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "document")}, 200},
		{"frame", []func(*http.Request){header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "iframe")}, 403},
		{"script", []func(*http.Request){header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "no-cors")}, 403},
		{"same site", []func(*http.Request){header("Sec-Fetch-Site", "same-site"), header("Sec-Fetch-Mode", "cors")}, 403},
		{"origin", []func(*http.Request){header("Origin", "http://evil.example")}, 403},
		{"other port", []func(*http.Request){header("Origin", "http://127.0.0.1:1")}, 403},
		{"sandbox", []func(*http.Request){header("Origin", "null")}, 403},
	} {
		if w := get(s, "/", q.change...); w.Code != q.status {
			t.Errorf("%s: status %d, want %d", q.what, w.Code, q.status)
		}
	}
}

// Nothing but asking is there, and what is not there is told in plain words.
func TestOtherPlaces(t *testing.T) {
	s := handled(bench())
	for _, method := range []string{"POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"} {
		for _, path := range []string{"/", "/events", "/pass/0a1b2c3d4e51"} {
			if w := get(s, path, func(r *http.Request) { r.Method = method }); w.Code < 400 {
				t.Errorf("%s %s: status %d", method, path, w.Code)
			}
		}
	}
	for _, path := range []string{"/x", "/pass/", "/pass/zzzzzzzzzzzz", "/pass/0a1b", "/pass/0a1b2c3d4e5f", "/pass/" + strings.Repeat("a", 5000), "/pass/%00%00%00%00%00%00%00%00",
		"/cell/0", "/cell/-1", "/cell/9999999999999999999", "/cell/x", "/cell/4", "/map", "/map?game=", "/map?%zz", "/map?" + strings.Repeat("a=b&", 30), "/../etc/passwd"} {
		if w := get(s, path); w.Code < 300 || w.Code >= 500 || strings.Contains(w.Body.String(), "<") && w.Code != 301 && w.Code != 307 {
			t.Errorf("%.60s: status %d, %.100q", path, w.Code, w.Body)
		}
	}
}

// Every page bears a policy that lets nothing in from outside it, and every name is a text.
func TestHostileNames(t *testing.T) {
	src := bench()
	src.set(func(v *view.Bench) {
		v.Bench, v.Paused, v.Watch, v.Problem = hostile, hostile, hostile, hostile
		v.Recording.Log, v.Plan.Name, v.Plan.Next, v.Plan.Advice, v.Plan.Map.Rows[0].Name, v.Plan.Map.Heads[0][0].Name = hostile, hostile, hostile, hostile, hostile, hostile
		v.Alerts[0].Text, v.Alerts[0].Advice, v.Parts[0].Value, v.Plan.Map.Caption = hostile, hostile, hostile, hostile
		v.Troubles = []view.Trouble{{Text: hostile, Advice: hostile}}
		for i := range v.Passes {
			v.Passes[i].Name, v.Passes[i].Why, v.Passes[i].Advice, v.Passes[i].Parts, v.Passes[i].Number = hostile, hostile, hostile, hostile, hostile
		}
	})
	s := handled(src)
	for _, path := range []string{"/", "/pass/0a1b2c3d4e51", "/cell/2", "/map?game=" + "x"} {
		w := get(s, path)
		text := w.Body.String()
		if w.Code != 200 || strings.Count(text, "onerror=alert") < 3 {
			t.Fatalf("%s: status %d, the name stands there %d times", path, w.Code, strings.Count(text, "onerror=alert"))
		}
		if strings.Contains(text, "<img") || strings.Contains(text, "alert(2)</script") || strings.ContainsAny(text, "\u202e\x1b\x07") {
			t.Errorf("%s: a name is more than text", path)
		}
		contains(t, path, w.Header().Get("Content-Security-Policy"), "default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'")
		for _, loose := range []string{"unsafe", "*", "http:", "https:"} {
			if strings.Contains(w.Header().Get("Content-Security-Policy"), loose) {
				t.Errorf("%s: the policy allows %q", path, loose)
			}
		}
		for _, outside := range []string{" src=", "url(", "@import", "http://", "https://"} {
			if strings.Contains(strings.ReplaceAll(strings.ReplaceAll(text, "img src=x", ""), "http://www.w3.org/2000/svg", ""), outside) {
				t.Errorf("%s asks for something else: %q", path, outside)
			}
		}
	}
}

// The largest page that is drawn stays small.
func TestPageIsSmall(t *testing.T) {
	src := bench()
	src.set(func(v *view.Bench) { v.Plan.Map = matrix(320/12+1, 12, true) })
	if n := get(handled(src), "/").Body.Len(); n > 40_000 {
		t.Errorf("the page has %d bytes", n)
	} else {
		t.Logf("the page has %d bytes", n)
	}
}

// A stream is drawn anew by what happens and by nothing else, and costs nothing when it ends.
func TestStream(t *testing.T) {
	src := bench()
	s := serving(t, src)
	if src.asked() != 0 {
		t.Errorf("drawn %d times for nobody", src.asked())
	}
	ctx, stop := context.WithCancel(t.Context())
	lines := stream(t, ctx, s)
	expect(t, lines, "event: build", "event: page", "Copper Drift")
	src.set(func(v *view.Bench) { v.Passes[0].Name = "Salt Flats" })
	s.o.Events.Publish(control.Event{Kind: control.KindPass, Text: "bad: Salt Flats", Pass: &record.Pass{}})
	expect(t, lines, "event: page", "Salt Flats", "event: say", "bad: Salt Flats")
	drawn := src.asked()
	// An alert about a pass says something; the pass's own event draws.
	s.o.Events.Publish(control.Event{Kind: control.KindState})
	expect(t, lines, "event: here") // the same as before is not sent again
	if n := src.asked(); n != drawn+1 {
		t.Errorf("drawn %d times, want %d", n, drawn+1)
	}
	stop()
	for s.views.count() > 0 {
		waitABit(t)
	}
	drawn = src.asked()
	s.o.Events.Publish(control.Event{Kind: control.KindState})
	if src.asked() != drawn {
		t.Error("drawn for nobody")
	}
}

func (v *views) count() int {
	v.mu.Lock()
	defer v.mu.Unlock()
	return len(v.viewers)
}

// waitABit lets others run; whoever waits asks again.
func waitABit(t *testing.T) {
	t.Helper()
	select {
	case <-time.After(time.Millisecond):
	case <-t.Context().Done():
		t.Fatal("the test has ended")
	}
}

// stream opens one and hands on its lines.
func stream(t *testing.T, ctx context.Context, s *Server) <-chan string {
	t.Helper()
	r, err := http.NewRequestWithContext(ctx, "GET", s.Address()+"events", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("status %d, %s", resp.StatusCode, resp.Header.Get("Content-Type"))
	}
	return linesOf(resp.Body)
}

// linesOf hands on what comes, until it ends.
func linesOf(from io.ReadCloser) <-chan string {
	lines := make(chan string, 1000)
	go func() {
		defer from.Close()
		defer close(lines)
		in := bufio.NewScanner(from)
		for in.Buffer(nil, 1<<22); in.Scan(); {
			lines <- in.Text()
		}
	}()
	return lines
}

// expect waits until lines with these parts have come, in this order.
func expect(t *testing.T, lines <-chan string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		found := false
		for !found {
			l, ok := <-lines
			if !ok {
				t.Fatalf("the stream ended before %q", p)
			}
			found = strings.Contains(l, p)
		}
	}
}

// So many pages are kept up to date, and no more; one that is closed makes room.
func TestManyStreams(t *testing.T) {
	s := serving(t, bench())
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	for range mostStreams {
		expect(t, stream(t, ctx, s), "event: page")
	}
	resp, err := http.Get(s.Address() + "events")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusServiceUnavailable || resp.Header.Get("Retry-After") == "" {
		t.Errorf("one more: status %d", resp.StatusCode)
	}
	stop()
	for s.views.count() > 0 {
		waitABit(t)
	}
	more, end := context.WithCancel(t.Context())
	defer end()
	expect(t, stream(t, more, s), "event: page")
}

// Thousands of connections that say nothing keep nobody out, neither a page that is open nor
// one that is opened.
func TestIdleConnections(t *testing.T) {
	s := serving(t, bench())
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	lines := stream(t, ctx, s)
	expect(t, lines, "event: page")
	var open []net.Conn
	defer func() {
		for _, c := range open {
			c.Close()
		}
	}()
	many := 1000
	if testlab.Long(t) {
		many = 10_000
	}
	for i := range many {
		c, err := net.Dial("tcp", s.listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		if i%2 == 0 {
			io.WriteString(c, "GET / HTTP/1.1\r\nHo") // and no more
		}
		open = append(open, c)
	}
	resp, err := http.Get(s.Address())
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != 200 {
		t.Errorf("status %d", resp.StatusCode)
	}
	s.o.Events.Publish(control.Event{Kind: control.KindState})
	expect(t, lines, "event: here")
	closed := 0
	for _, c := range open {
		c.SetReadDeadline(time.Now().Add(time.Microsecond))
		if _, err := c.Read(make([]byte, 1)); err != nil && !isTimeout(err) {
			closed++
		}
	}
	if closed < len(open)-2*mostConns {
		t.Errorf("%d of %d silent connections were closed", closed, len(open))
	}
}

// Thousands of requests whose body never comes keep nobody out either, and hold little for long.
func TestBodiesThatDoNotCome(t *testing.T) {
	s := serving(t, bench(), func(s *Server) { s.readTime = time.Hour })
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	lines := stream(t, ctx, s)
	expect(t, lines, "event: page")
	var open []net.Conn
	defer func() {
		for _, c := range open {
			c.Close()
		}
	}()
	for i := range 10 * mostConns {
		c, err := net.Dial("tcp", s.listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		open = append(open, c)
		fmt.Fprintf(c, "%s HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 9\r\n\r\n", []string{"POST /pair", "GET /", "POST /order"}[i%3])
	}
	resp, err := http.Get(s.Address())
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != 200 {
		t.Errorf("status %d", resp.StatusCode)
	}
	s.o.Events.Publish(control.Event{Kind: control.KindState})
	expect(t, lines, "event: here")
	for deadline := time.Now().Add(20 * time.Second); ; waitABit(t) {
		left := 0
		for _, c := range open {
			c.SetReadDeadline(time.Now().Add(time.Microsecond))
			for err = nil; err == nil; {
				_, err = c.Read(make([]byte, 1<<16))
			}
			if isTimeout(err) {
				left++
			}
		}
		if left <= 2*mostConns {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d of %d connections are still held", left, len(open))
		}
	}
}

func isTimeout(err error) bool {
	var e net.Error
	return errors.As(err, &e) && e.Timeout()
}

// One that does not read is let go, and nobody waits for it.
func TestSlowReader(t *testing.T) {
	src := bench()
	s := serving(t, src, func(s *Server) { s.writeTime = 200 * time.Millisecond })
	c, err := net.Dial("tcp", s.listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.(*net.TCPConn).SetReadBuffer(4096)
	fmt.Fprintf(c, "GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	lines := stream(t, ctx, s)
	expect(t, lines, "event: page")
	for i := 0; s.views.count() > 1 || i < 3; i++ {
		src.set(func(v *view.Bench) { v.Problem = strings.Repeat("x", 1<<20) + fmt.Sprint(i) })
		s.o.Events.Publish(control.Event{Kind: control.KindState})
		expect(t, lines, "event: page", fmt.Sprintf("xx%d<", i))
	}
}

// Many look while much happens, and the page ends: for the race detector.
func TestManyAtOnce(t *testing.T) {
	src := bench()
	s := serving(t, src)
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			for n := range 10 {
				for s.views.count() > mostStreams-8 { // those that were closed are noticed a little later
					waitABit(t)
				}
				ctx, stop := context.WithCancel(t.Context())
				expect(t, stream(t, ctx, s), "event: page")
				src.set(func(v *view.Bench) { v.Passes[0].Number = fmt.Sprint(i, n) })
				s.o.Events.Publish(control.Event{Kind: control.KindPass, Text: "x", Pass: &record.Pass{}})
				stop()
			}
		})
	}
	all.Wait()
}

// The page says where it can be opened as the documentation does and as the settings have it.
func TestPageSaysWhereItOpens(t *testing.T) {
	doc, err := os.ReadFile("../docs/page.md")
	if err != nil {
		t.Fatal(err)
	}
	contains(t, "docs/page.md", strings.Join(strings.Fields(string(doc)), " "), "Only this machine can open this page, best on a second screen", "Only this machine and paired devices can open it")
	for listen, where := range map[string]string{"127.0.0.1:8470": "Only this machine can open this page, ", "0.0.0.0:8470": "Only this machine and paired devices can open this page, "} {
		s := handled(bench())
		s.o.Listen = listen
		contains(t, "the page at "+listen, get(s, "/").Body.String(), where)
	}
}
