package page

import (
	"io"
	"log"
	"net"
	"net/http"
	"sync"
)

// limit is a listener that holds so many connections at most. Where more come, the one that
// has been silent longest is closed, and never one that is being answered: whoever opens
// thousands keeps nobody else out.
type limit struct {
	net.Listener
	most int

	mu     sync.Mutex
	silent []net.Conn // new or idle, the longest first
	busy   map[net.Conn]bool
}

func newLimit(l net.Listener, most int) *limit {
	return &limit{Listener: l, most: most, busy: map[net.Conn]bool{}}
}

// state is told by the server what becomes of its connections.
func (l *limit) state(c net.Conn, s http.ConnState) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i, x := range l.silent {
		if x == c {
			l.silent = append(l.silent[:i], l.silent[i+1:]...)
			break
		}
	}
	delete(l.busy, c)
	switch s {
	case http.StateNew, http.StateIdle:
		l.silent = append(l.silent, c)
		for len(l.silent) > 0 && len(l.silent)+len(l.busy) > l.most {
			l.silent[0].Close() // the server then says that it is closed
			l.silent = l.silent[1:]
		}
	case http.StateActive:
		l.busy[c] = true
	}
}

// quiet drops what the server says of broken connections: anybody can cause any number.
func quiet() *log.Logger { return log.New(io.Discard, "", 0) }
