package page

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"capd.example/config"
	"capd.example/control"
	"capd.example/openmetrics"
	"capd.example/page/pairing"
	"capd.example/page/view"
)

// Options say what is served where.
type Options struct {
	config.Page
	Source view.Source
	Events *control.Hub
	// Every is how often it is looked for what no event tells; 0 is for a minute.
	Every time.Duration
	// Figures are for a lab's monitoring, where that is to be answered.
	Figures func(context.Context) (openmetrics.State, error)
	Version string // of the agent, for them
	// Pairing says who else than this machine is answered, and who may give orders; nil for
	// nobody.
	Pairing *pairing.Keeper
	// Order has an order of a paired device carried out and says what came of it; nil where none
	// can be given.
	Order func(context.Context, control.Order) (said string, err error)
	// Started is told the address, as in 127.0.0.1:8470, when it can be asked; nil to ignore it.
	Started func(address string)
}

// Server is the page. It is built with its address taken, so that a start can tell that
// another program has it.
type Server struct {
	o        Options
	listener net.Listener
	views    views
	metrics  *openmetrics.Metrics // nil for none
	// one for each form that is being read
	pairings, orders chan struct{}

	readTime  time.Duration // for one request
	writeTime time.Duration // for one page, or one piece of a stream
}

// Serve takes the address and serves until ctx ends.
func Serve(ctx context.Context, o Options) error {
	s, err := Listen(ctx, o)
	if err != nil {
		return err
	}
	if o.Started != nil {
		o.Started(s.listener.Addr().String())
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
	s := newServer(o)
	s.listener = l
	if o.Metrics {
		s.metrics = openmetrics.New(o.Version, time.Now())
	}
	return s, nil
}

func newServer(o Options) *Server {
	o.Every = cmp.Or(o.Every, lookEvery)
	s := &Server{o: o, readTime: readTime, writeTime: writeTime, pairings: make(chan struct{}, mostForms),
		orders: make(chan struct{}, mostForms)}
	s.views.server = s
	return s
}

// Address is where the page is, for a browser on this machine.
func (s *Server) Address() string {
	at := s.listener.Addr().(*net.TCPAddr).AddrPort()
	if at.Addr().IsUnspecified() {
		at = netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), at.Port())
	}
	return "http://" + at.String() + "/"
}

// Limits, so that nobody who can reach the port can hold up the agent or fill its memory. All
// are by convention: several times what the people of one bench need, and no load for it.
const (
	mostConns   = 64              // silent connections at once, and busy ones; a browser opens up to 6
	mostStreams = 16              // pages that are kept up to date at once
	mostForms   = 4               // forms of one kind that are read at once
	headerTime  = 5 * time.Second // for the head of a request
	readTime    = 10 * time.Second
	idleTime    = time.Minute // a connection that asks nothing more
	writeTime   = 10 * time.Second
	mostHeader  = 16 << 10 // bytes; browsers send 1 kB
	mostBody    = 8 << 10  // bytes; mostWhy signs are up to 6 kB in a form
)

// figuresTime is after what time the figures show what other programs wrote into the store.
const figuresTime = time.Minute

// Run serves until ctx ends.
func (s *Server) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	limit := newLimit(s.listener, mostConns)
	h := &http.Server{
		Handler: s.handler(), ReadHeaderTimeout: headerTime, ReadTimeout: s.readTime, WriteTimeout: s.writeTime,
		IdleTimeout: idleTime, MaxHeaderBytes: mostHeader, ConnState: limit.state, ConnContext: limit.known, ErrorLog: quiet(),
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
	if _, several := s.o.Source.(view.Stations); several {
		mux.HandleFunc("GET /bench/{name}", s.station)
	}
	mux.HandleFunc("GET /pair", s.pairForm)
	mux.HandleFunc("POST /pair", s.pair)
	mux.HandleFunc("POST /order", s.order)
	if s.metrics != nil {
		mux.Handle("GET /metrics", s.metrics.Handler())
	}
	return s.guarded(mux)
}
