package control

import "sync"

// Hub passes events to everybody who follows. The zero Hub is ready.
type Hub struct {
	mu        sync.Mutex
	followers map[*follower]bool
}

// keep is how many events wait for a slow follower before its oldest are dropped.
const keep = 256

type follower struct {
	mu     sync.Mutex
	events []Event
	missed int
	wake   chan struct{}
}

// Publish hands an event to all followers and never waits for one.
func (h *Hub) Publish(e Event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for f := range h.followers {
		f.put(e)
	}
}

func (h *Hub) follow() *follower {
	f := &follower{wake: make(chan struct{}, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.followers == nil {
		h.followers = map[*follower]bool{}
	}
	h.followers[f] = true
	return f
}

func (h *Hub) leave(f *follower) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.followers, f)
}

func (f *follower) put(e Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.events) == keep {
		f.events = f.events[1:]
		f.missed++
	}
	f.events = append(f.events, e)
	select {
	case f.wake <- struct{}{}:
	default: // it is awake already
	}
}

// take returns what has come since, with a word about what was dropped ahead of it.
func (f *follower) take() []Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := f.events
	if f.missed > 0 {
		out = append([]Event{{Kind: KindMissed, At: out[0].At, Missed: f.missed}}, out...)
	}
	f.events, f.missed = nil, 0
	return out
}
