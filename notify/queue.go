package notify

import (
	"context"
	"slices"
	"sync"
	"time"
)

// Queued is an alert on its way to one channel.
type Queued struct {
	ID       string // unique over alerts and channels
	Channel  string
	PassID   string
	Payload  []byte // the alert as JSON
	Attempts int    // deliveries that failed
}

// Queue keeps what is to be delivered. The agent's store is one.
type Queue interface {
	// Enqueue adds an alert, due at once; one with a known ID is not added again,
	// whatever became of the first.
	Enqueue(ctx context.Context, q Queued) error
	// Due lists what is to be delivered at the time, the longest due first.
	Due(ctx context.Context, now time.Time) ([]Queued, error)
	Delivered(ctx context.Context, id string) error
	// Failed notes why a delivery failed and when it is due again; the zero time gives it up.
	Failed(ctx context.Context, id string, why error, next time.Time) error
}

// memory is a queue for channels whose alerts are worth nothing after a restart, and for
// the time in which the store cannot be written.
type memory struct {
	mu    sync.Mutex
	items []memoryItem
	known map[string]bool
}

type memoryItem struct {
	Queued
	due time.Time
}

// most bounds a queue in memory and the identities that it remembers.
const most = 10000

func newMemory() *memory { return &memory{known: map[string]bool{}} }

func (m *memory) Enqueue(_ context.Context, q Queued) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.known[q.ID] {
		return nil
	}
	if len(m.known) >= most {
		clear(m.known)
	}
	m.known[q.ID] = true
	if len(m.items) >= most {
		m.items = m.items[1:]
	}
	m.items = append(m.items, memoryItem{Queued: q})
	return nil
}

func (m *memory) Due(_ context.Context, now time.Time) ([]Queued, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []Queued
	slices.SortStableFunc(m.items, func(a, b memoryItem) int { return a.due.Compare(b.due) })
	for _, i := range m.items {
		if !i.due.After(now) {
			out = append(out, i.Queued)
		}
	}
	return out, nil
}

func (m *memory) Delivered(_ context.Context, id string) error {
	m.change(id, func(i int) { m.items = append(m.items[:i], m.items[i+1:]...) })
	return nil
}

func (m *memory) Failed(_ context.Context, id string, _ error, next time.Time) error {
	if next.IsZero() {
		m.change(id, func(i int) { m.items = append(m.items[:i], m.items[i+1:]...) })
		return nil
	}
	m.change(id, func(i int) { m.items[i].Attempts++; m.items[i].due = next })
	return nil
}

// withdraw takes back an alert that still waits.
func (m *memory) withdraw(id string) {
	m.change(id, func(i int) {
		m.items = append(m.items[:i], m.items[i+1:]...)
		delete(m.known, id)
	})
}

// delivered reports whether an alert was delivered from here.
func (m *memory) delivered(id string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.known[id] && !slices.ContainsFunc(m.items, func(i memoryItem) bool { return i.ID == id })
}

func (m *memory) change(id string, fn func(i int)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range m.items {
		if m.items[i].ID == id {
			fn(i)
			return
		}
	}
}
