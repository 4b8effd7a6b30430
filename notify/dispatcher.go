package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"
)

// Channel is one way to reach people.
type Channel interface {
	// Name is unique among the channels and shows no secret.
	Name() string
	// Send delivers one alert or says why not. It ends when ctx does.
	Send(ctx context.Context, a Alert) error
}

// Route is a channel with what goes to it and how.
type Route struct {
	Channel  Channel
	Rule     Rule
	Queue    Queue         // nil: in memory, for what is worth nothing after a restart
	Timeout  time.Duration // for one delivery; default 10 s
	Attempts int           // give up after so many; 0 for never
	Group    time.Duration // alerts of one cause within this time of the last become one; 0 for never
}

// Outcome is what became of one delivery, for the agent's own log.
type Outcome struct {
	Channel string
	AlertID string
	Count   int           // alerts that it carried
	Waited  time.Duration // from the alert to its delivery
	Err     error         // nil when delivered
	Next    time.Time     // when it is tried again; zero: it was given up
}

// Dispatcher hands alerts to channels.
type Dispatcher struct {
	workers []*worker
	report  func(Outcome)
}

// New builds a dispatcher; report is told the outcome of every delivery from several
// goroutines and may be nil. Nothing is sent before [Dispatcher.Run].
func New(routes []Route, report func(Outcome)) (*Dispatcher, error) {
	if report == nil {
		report = func(Outcome) {}
	}
	d := &Dispatcher{report: report}
	names := map[string]bool{}
	for _, r := range routes {
		name := r.Channel.Name()
		if names[name] {
			return nil, fmt.Errorf("two alert channels are called %q", name)
		}
		names[name] = true
		if r.Timeout <= 0 {
			r.Timeout = 10 * time.Second
		}
		w := &worker{Route: r, name: name, report: report, wake: make(chan struct{}, 1), memory: newMemory(),
			told: map[string]time.Time{}, unnoted: map[string]bool{}, later: map[string]time.Time{}, unit: firstWait}
		if w.Queue == nil {
			w.Queue = w.memory
		}
		d.workers = append(d.workers, w)
	}
	return d, nil
}

// Run delivers until ctx ends. What is queued then stays in its queue.
func (d *Dispatcher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, w := range d.workers {
		wg.Go(func() { w.run(ctx) })
	}
	wg.Wait()
	return nil
}

// Tell queues an alert for every channel that wants it and returns without waiting for
// a delivery. An error says which durable queue could not be written; the alert then
// waits in memory, and the caller tells it again, under the same identity, until it is in
// the queue.
func (d *Dispatcher) Tell(ctx context.Context, a Alert) error {
	var errs []error
	for _, w := range d.workers {
		if !w.Rule.Wants(a) {
			continue
		}
		if err := w.enqueue(ctx, a); err != nil {
			errs = append(errs, fmt.Errorf("queue alert %s for %s: %w", a.ID, w.name, err))
		}
	}
	return errors.Join(errs...)
}

// Try sends a test to the named channel, or to all for "", and returns each channel's
// answer. It waits for them.
func (d *Dispatcher) Try(ctx context.Context, name string, a Alert) map[string]error {
	var mu sync.Mutex
	var wg sync.WaitGroup
	answers := map[string]error{}
	for _, w := range d.workers {
		if name != "" && name != w.name {
			continue
		}
		wg.Go(func() {
			err := w.send(ctx, a)
			mu.Lock()
			defer mu.Unlock()
			answers[w.name] = err
		})
	}
	wg.Wait()
	return answers
}

// queued writes an alert for the queue. A pass that cannot be written is left out: the
// words of the alert can always be, and no alert may be lost for what hangs on it.
func queued(a Alert, channel string) (Queued, error) {
	q := Queued{ID: a.ID + "/" + channel, Channel: channel}
	if a.Pass != nil {
		q.PassID = a.Pass.ID
	}
	payload, err := json.Marshal(a)
	if err != nil && a.Pass != nil {
		a.Pass = nil
		payload, err = json.Marshal(a)
	}
	if err != nil {
		return Queued{}, fmt.Errorf("write alert: %w", err)
	}
	q.Payload = payload
	return q, nil
}
