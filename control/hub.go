package control

import (
	"slices"
	"sync"
)

// Hub passes events to everybody who follows. The zero Hub is ready.
type Hub struct {
	mu        sync.Mutex
	followers map[*Follower]bool
}

// keep is how many events wait for a slow follower before its oldest are dropped.
const keep = 256

// Follower gathers the events since [Hub.Follow] until somebody takes them.
type Follower struct {
	hub    *Hub
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

// Follow gathers events from now on, until [Follower.Close].
func (h *Hub) Follow() *Follower {
	f := &Follower{hub: h, wake: make(chan struct{}, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.followers == nil {
		h.followers = map[*Follower]bool{}
	}
	h.followers[f] = true
	return f
}

// Close ends the gathering.
func (f *Follower) Close() {
	f.hub.mu.Lock()
	defer f.hub.mu.Unlock()
	delete(f.hub.followers, f)
}

// Wake says that there is something to take.
func (f *Follower) Wake() <-chan struct{} { return f.wake }

func (f *Follower) put(e Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if e.Kind == KindState && slices.ContainsFunc(f.events, func(e Event) bool { return e.Kind == KindState }) {
		return // one is enough, and many would push out what must not be missed
	}
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

// Take returns what has come since the last time, with a word about what was dropped ahead of it.
func (f *Follower) Take() []Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := f.events
	if f.missed > 0 {
		out = append([]Event{{Kind: KindMissed, At: out[0].At, Missed: f.missed}}, out...)
	}
	f.events, f.missed = nil, 0
	return out
}
