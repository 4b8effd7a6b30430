package page

import (
	"context"
	"io"
	"log"
	"net"
	"net/http"
	"slices"
	"sync"
)

// limit is a listener that holds so many connections at most that are silent, and so many that are
// being answered. Where more come, the one that has been so longest is closed: an answer takes
// milliseconds, unless somebody sends or reads slowly. Those that are kept are not closed. Whoever
// opens thousands keeps nobody else out.
type limit struct {
	net.Listener
	most int

	mu     sync.Mutex
	silent []net.Conn // new or idle, the longest first
	busy   []net.Conn // being answered, the longest first
	kept   map[net.Conn]bool
}

func newLimit(l net.Listener, most int) *limit {
	return &limit{Listener: l, most: most, kept: map[net.Conn]bool{}}
}

// state is told by the server what becomes of its connections.
func (l *limit) state(c net.Conn, s http.ConnState) {
	l.mu.Lock()
	defer l.mu.Unlock()
	is := func(x net.Conn) bool { return x == c }
	l.silent = slices.DeleteFunc(l.silent, is)
	l.busy = slices.DeleteFunc(l.busy, is)
	delete(l.kept, c)
	switch s {
	case http.StateNew, http.StateIdle:
		l.silent = append(l.silent, c)
	case http.StateActive:
		l.busy = append(l.busy, c)
	}
	for _, list := range []*[]net.Conn{&l.silent, &l.busy} {
		for len(*list) > l.most {
			(*list)[0].Close() // the server then says that it is closed
			*list = (*list)[1:]
		}
	}
}

type connKey struct{}

// known lets an answer find its connection.
func (l *limit) known(ctx context.Context, c net.Conn) context.Context {
	return context.WithValue(ctx, connKey{}, func() { l.keep(c) })
}

// keep leaves a connection open that is being answered, for as long as that takes; the number of
// such answers has a limit of its own.
func (l *limit) keep(c net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if i := slices.Index(l.busy, c); i >= 0 {
		l.busy = slices.Delete(l.busy, i, i+1)
		l.kept[c] = true
	}
}

// keepOpen leaves the connection of a request open.
func keepOpen(r *http.Request) {
	if keep, is := r.Context().Value(connKey{}).(func()); is {
		keep()
	}
}

// quiet drops what the server says of broken connections: anybody can cause any number.
func quiet() *log.Logger { return log.New(io.Discard, "", 0) }
