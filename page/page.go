package page

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"capd.example/config"
	"capd.example/control"
	"capd.example/openmetrics"
	"capd.example/page/view"
)

// Options say what is served where.
type Options struct {
	config.Page
	From   string // configuration file that hints name, "" for the one to make
	Source view.Source
	Events *control.Hub
	// Figures are for a lab's monitoring, where that is to be answered.
	Figures func(context.Context) (openmetrics.State, error)
	Version string // of the agent, for them
	// Started is told the address when it can be asked; nil to ignore it.
	Started func(address string)
}

// Server is the page. It is built with its address taken, so that a start can tell that
// another program has it.
type Server struct {
	o        Options
	listener net.Listener
	views    views
	metrics  *openmetrics.Metrics // nil for none

	writeTime time.Duration // for one page, or one piece of a stream
}

// Serve takes the address and serves until ctx ends.
func Serve(ctx context.Context, o Options) error {
	s, err := Listen(ctx, o)
	if err != nil {
		return err
	}
	if o.Started != nil {
		o.Started(s.Address())
	}
	return s.Run(ctx)
}

// Listen takes the address. Errors name it.
func Listen(ctx context.Context, o Options) (*Server, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("the page cannot have the address %s: %w", o.Listen, err)
	}
	s := &Server{o: o, listener: l, writeTime: writeTime}
	s.views.server = s
	if o.Metrics {
		s.metrics = openmetrics.New(o.Version, time.Now())
	}
	return s, nil
}

// Address is where the page is, for a browser on this machine.
func (s *Server) Address() string { return "http://" + s.listener.Addr().String() + "/" }

// Limits, so that nobody who can reach the port can hold up the agent or fill its memory.
const (
	mostConns   = 64 // connections at once
	mostStreams = 16 // pages that are kept up to date at once
	headerTime  = 5 * time.Second
	idleTime    = time.Minute
	writeTime   = 10 * time.Second
	mostHeader  = 16 << 10
)

// figuresTime is after what time the figures show what other programs wrote into the store.
const figuresTime = time.Minute

// Run serves until ctx ends.
func (s *Server) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	limit := newLimit(s.listener, mostConns)
	h := &http.Server{
		Handler: s.handler(), ReadHeaderTimeout: headerTime, ReadTimeout: 2 * headerTime, WriteTimeout: s.writeTime,
		IdleTimeout: idleTime, MaxHeaderBytes: mostHeader, ConnState: limit.state, ErrorLog: quiet(),
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	var parts sync.WaitGroup
	if s.metrics != nil {
		parts.Go(func() {
			t := time.NewTicker(figuresTime)
			defer t.Stop()
			s.metrics.Run(ctx, s.o.Events, t.C, s.o.Figures)
		})
	}
	parts.Go(func() {
		<-ctx.Done()
		h.Close() // streams end at once: a browser comes back by itself
	})
	err := h.Serve(limit)
	stop()
	parts.Wait()
	s.views.end()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("the page at %s: %w", s.o.Listen, err)
}

// Close gives the address back where [Server.Run] was never called.
func (s *Server) Close() error { return s.listener.Close() }

func (s *Server) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.now)
	mux.HandleFunc("GET /events", s.views.stream)
	mux.HandleFunc("GET /pass/{id}", s.pass)
	mux.HandleFunc("GET /cell/{n}", s.cell)
	mux.HandleFunc("GET /map", s.part)
	if s.metrics != nil {
		mux.Handle("GET /metrics", s.metrics.Handler())
	}
	return s.guarded(mux)
}
