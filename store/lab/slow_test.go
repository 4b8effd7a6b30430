package lab_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/url"
	"sync/atomic"
	"testing"
	"time"

	"capd.example/store"
	"capd.example/store/lab"
)

// swamp is a network on which nothing is ever refused: bytes pass slowly, or from some
// byte on not at all, in either direction, as when a cable is pulled.
type swamp struct {
	l        net.Listener
	to       string
	up, down atomic.Int64  // bytes that pass before all stands still; negative for no end
	answered atomic.Int64  // bytes that came down
	asked    atomic.Int64  // and that went up
	pause    time.Duration // after each piece of 4 kB
	released chan struct{} // closed at the end of the test
}

func newSwamp(t *testing.T, to string) *swamp {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &swamp{l: l, to: to, released: make(chan struct{})}
	s.up.Store(-1)
	s.down.Store(-1)
	t.Cleanup(func() { close(s.released); l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go s.carry(in)
		}
	}()
	return s
}

func (s *swamp) carry(in net.Conn) {
	defer in.Close()
	out, err := net.Dial("tcp", s.to)
	if err != nil {
		return
	}
	defer out.Close()
	ended := make(chan struct{}, 2)
	go func() { s.pass(out, in, s.up.Load(), &s.asked); ended <- struct{}{} }()
	go func() { s.pass(in, out, s.down.Load(), &s.answered); ended <- struct{}{} }()
	select {
	case <-ended:
	case <-s.released:
	}
}

// pass carries limit bytes, all where that is negative, and swallows the rest.
func (s *swamp) pass(to io.Writer, from io.Reader, limit int64, count *atomic.Int64) {
	piece := make([]byte, 4096)
	for {
		n, err := from.Read(piece)
		if err != nil {
			return
		}
		if s.pause > 0 {
			<-time.After(s.pause)
		}
		count.Add(int64(n))
		out := piece[:n]
		if limit >= 0 {
			out = out[:min(int64(n), limit)]
			limit -= int64(len(out))
		}
		if _, err := to.Write(out); err != nil {
			return
		}
	}
}

func (s *swamp) address(t *testing.T, of string) string {
	t.Helper()
	u, err := url.Parse(of)
	if err != nil {
		t.Fatal(err)
	}
	u.Host = s.l.Addr().String()
	return u.String()
}

// TestNetworkStandsStill holds every byte back from some point on: in the greeting, in a
// batch, and ahead of the answer to a batch that the server has already stored. The
// sending gives up by itself, the bench stores passes meanwhile, and afterwards both
// sides are equal.
func TestNetworkStandsStill(t *testing.T) {
	a := address(t)
	l := setup(t, a, false)
	u, _ := url.Parse(a)
	s := newStore(t)
	n, unanswered := 0, 0
	for range 5 {
		add(t, s, "bench-1", n, 0.5)
		n++
	}
	whole := newSwamp(t, u.Host)
	if _, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: whole.address(t, a), Batch: 100}).Forward(ctx); err != nil {
		t.Fatal(err)
	}
	// Two transactions end the answers to such a sending: that of the batch and an empty one.
	end := whole.answered.Load()
	for _, c := range []struct{ up, down int64 }{{0, -1}, {300, -1}, {3_000, -1}, {20_000, -1}, {-1, 0}, {-1, 500},
		{-1, end - 60}, {-1, end - 80}, {-1, end - 90}, {-1, end - 120}} {
		net := newSwamp(t, u.Host)
		net.up.Store(c.up)
		net.down.Store(c.down)
		f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: net.address(t, a), Batch: 100, Patience: 250 * time.Millisecond}
		for range 5 {
			add(t, s, "bench-1", n, 0.5)
			n++
		}
		before := ask(t, a, "SELECT count(*)::text FROM capd.passes")[0]
		ended := make(chan error, 1)
		go func() { _, err := f.Forward(ctx); ended <- err }()
		add(t, s, "bench-1", n, 0.5) // while it hangs
		n++
		select {
		case err := <-ended:
			if err != nil && ask(t, a, "SELECT count(*)::text FROM capd.passes")[0] != before {
				unanswered++
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("%+v: the sending never gave up", c)
		}
	}
	if unanswered == 0 {
		t.Error("no sending failed after the server had stored something: other points must be chosen")
	}
	if sent, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: a}).Forward(ctx); err != nil || sent < 5 {
		t.Fatalf("%d sent in the end, %v", sent, err)
	}
	same(t, s, l, "bench-1")
	if got := ask(t, a, "SELECT count(*)::text FROM capd.passes"); got[0] != fmt.Sprint(n) {
		t.Errorf("the lab has %s passes, the bench %d", got[0], n)
	}
}

// TestNetworkIsSlow: a slow network delays and breaks nothing, and waking the forwarder
// again meanwhile neither.
func TestNetworkIsSlow(t *testing.T) {
	a := address(t)
	l := setup(t, a, false)
	u, _ := url.Parse(a)
	net := newSwamp(t, u.Host)
	net.pause = 5 * time.Millisecond
	s := newStore(t)
	for i := range 20 {
		add(t, s, "bench-1", i, 2)
	}
	f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: net.address(t, a), Batch: 5}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	wake := make(chan struct{}, 1)
	total := 0
	wake <- struct{}{}
	f.Run(ctx, wake, func(sent int, err error) {
		if err != nil {
			t.Error(err)
		}
		switch total += sent; {
		case total == 20:
			add(t, s, "bench-1", 20, 2)
			wake <- struct{}{}
		case total > 20 || err != nil:
			stop()
		}
	})
	same(t, s, l, "bench-1")
	if list, err := l.Passes(t.Context(), store.Filter{}); err != nil || len(list) != 21 {
		t.Errorf("%d passes, %v", len(list), err)
	}
}
