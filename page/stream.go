package page

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"time"

	"capd.example/control"
	"capd.example/page/view"
)

const (
	// readingsEvery is how often the readings of the bench are sent while a log is being
	// recorded.
	readingsEvery = 10 * time.Second
	// lookEvery is how often it is looked for what no event tells: other programs write into
	// the store, too. It keeps connections through proxies alive as well.
	lookEvery = time.Minute
)

// views are the pages that are kept up to date. While there are any, one goroutine draws for
// all of them.
type views struct {
	server *Server

	mu      sync.Mutex
	viewers map[*viewer]bool
	shown   [2][]byte // the latest drawing, without and with what orders need
	closed  bool
	running sync.WaitGroup
	stop    context.CancelFunc
}

// viewer is one page; only the latest drawing waits for it, and few sentences.
type viewer struct {
	orders   int    // 1 where it is shown what orders need
	device   string // that looks; "" for one of this machine
	wake     chan struct{}
	drawing  []byte
	readings []byte
	says     []view.Say
}

// mostSays is how many sentences wait for a slow page.
const mostSays = 8

// stream keeps one page up to date until it is closed.
func (v *views) stream(w http.ResponseWriter, r *http.Request) {
	me := &viewer{wake: make(chan struct{}, 1), device: callerIn(r).device.ID}
	drawn := build
	if me.device != "" {
		drawn += "-paired"
	}
	if v.server.mayOrder(r) {
		me.orders = 1
	}
	ok := v.join(r.Context(), me)
	if !ok {
		w.Header().Set("Retry-After", "30")
		refuse(w, http.StatusServiceUnavailable,
			"Too many pages are open. Close some of them; this one is not kept up to date until then.")
		return
	}
	defer v.leave(me)
	keepOpen(r)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	out := &sender{w: w, c: http.NewResponseController(w), limit: v.server.writeTime}
	out.err = out.c.SetReadDeadline(time.Time{}) // the request has been read; a stream has no end
	// A page of another program, or one that may do other things since, draws itself anew; how long a pass has been running is counted
	// by this machine's clock.
	out.event("build", fmt.Appendf(nil, "%s %d", drawn, time.Now().UnixMilli()))
	for out.err == nil {
		select {
		case <-r.Context().Done():
			return
		case <-me.wake:
		}
		if me.device != "" && !v.server.o.Pairing.Valid(me.device) {
			return // it was taken back meanwhile
		}
		v.mu.Lock()
		drawing, readings, says := me.drawing, me.readings, me.says
		me.drawing, me.readings, me.says = nil, nil, nil
		v.mu.Unlock()
		if drawing != nil {
			out.event("page", drawing)
		}
		if readings != nil {
			out.event("readings", readings)
		}
		for _, s := range says {
			text, err := json.Marshal(s)
			if err == nil {
				out.event("say", text)
			}
		}
		if drawing == nil && readings == nil && says == nil {
			out.event("here", nil) // so that the page can tell silence from a dead line
		}
	}
}

// sender writes pieces of a stream, each with a time limit of its own: that of the server is
// for a whole answer.
type sender struct {
	w     http.ResponseWriter
	c     *http.ResponseController
	limit time.Duration
	err   error
}

func (s *sender) event(kind string, data []byte) {
	var b bytes.Buffer
	b.WriteString("event: " + kind + "\n")
	if len(data) == 0 {
		b.WriteString("data:\n") // without data no event
	}
	for line := range bytes.Lines(data) {
		b.WriteString("data: ")
		b.Write(bytes.TrimRight(line, "\r\n"))
		b.WriteByte('\n')
	}
	b.WriteByte('\n')
	s.piece(b.Bytes())
}

func (s *sender) piece(b []byte) {
	if s.err == nil {
		s.err = s.c.SetWriteDeadline(time.Now().Add(s.limit))
	}
	if s.err == nil {
		_, s.err = s.w.Write(b)
	}
	if s.err == nil {
		s.err = s.c.Flush()
	}
}

// join adds a page, with how things stand as the first that it gets.
func (v *views) join(ctx context.Context, me *viewer) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	if len(v.viewers) >= mostStreams || v.closed {
		return false
	}
	if v.viewers == nil {
		v.viewers = map[*viewer]bool{}
	}
	v.viewers[me] = true
	if len(v.viewers) == 1 {
		all, stop := context.WithCancel(context.WithoutCancel(ctx))
		v.stop = stop
		events := v.server.o.Events.Follow()
		v.running.Go(func() {
			defer events.Close()
			v.run(all, events)
		})
	} else if v.shown[me.orders] != nil {
		me.drawing = v.shown[me.orders]
		me.poke()
	}
	return true
}

func (v *views) leave(me *viewer) {
	v.mu.Lock()
	defer v.mu.Unlock()
	delete(v.viewers, me)
	if len(v.viewers) == 0 {
		v.stop()
		v.shown = [2][]byte{}
	}
}

// end returns when nobody is drawn for any more, and nobody will be.
func (v *views) end() {
	v.mu.Lock()
	v.closed = true
	if v.stop != nil {
		v.stop()
	}
	v.mu.Unlock()
	v.running.Wait()
}

// run draws for all pages whenever something happens, until the last of them has left.
func (v *views) run(ctx context.Context, events *control.Follower) {
	every := v.server.o.Every
	timer := time.NewTimer(every)
	defer timer.Stop()
	recording := v.draw(ctx, nil)
	for {
		wait := every
		if recording {
			wait = readingsEvery
		}
		timer.Reset(wait)
		select {
		case <-ctx.Done():
			return
		case <-events.Wake():
			draw := false
			var says []view.Say
			for _, e := range events.Take() {
				// The pass that an alert is about has its own event, after the alert's.
				draw = draw || e.Kind != control.KindAlert || e.Pass == nil
				if s, ok := v.server.o.Source.Said(e); ok {
					says = append(says, s)
				}
			}
			if draw || len(says) > 0 {
				recording = v.draw(ctx, says)
			}
		case <-timer.C:
			if recording {
				v.read(ctx)
			} else {
				recording = v.draw(ctx, nil)
			}
		}
	}
}

// draw sends how things stand to all pages, where it is not what they show, and reports
// whether a log is being recorded.
func (v *views) draw(ctx context.Context, says []view.Say) (recording bool) {
	now := v.server.o.Source.Now(ctx)
	var drawings [2][]byte
	for i := range drawings {
		now.Orders = i == 1
		if i == 1 && v.server.o.Order == nil {
			break
		}
		if d, err := drawn(now); err == nil {
			drawings[i] = d
		}
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if ctx.Err() != nil {
		return false
	}
	for i, d := range drawings {
		if bytes.Equal(d, v.shown[i]) {
			drawings[i] = nil
		} else if d != nil {
			v.shown[i] = d
		}
	}
	for p := range v.viewers {
		if d := drawings[p.orders]; d != nil {
			p.drawing, p.readings = d, nil
		}
		p.says = append(p.says, says...)
		p.says = p.says[max(0, len(p.says)-mostSays):]
		p.poke()
	}
	return now.Recording != nil
}

// read sends the readings of the bench to all pages.
func (v *views) read(ctx context.Context) {
	readings, err := drawnReadings(v.server.o.Source.Readings(ctx))
	if err != nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	for p := range v.viewers {
		p.readings = readings
		p.poke()
	}
}

func (p *viewer) poke() {
	select {
	case p.wake <- struct{}{}:
	default: // it is awake already
	}
}
