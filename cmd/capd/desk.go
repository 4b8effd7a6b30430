package main

import (
	"context"
	"errors"
	"maps"
	"os"
	"sync"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/notify"
	"capd.example/record"
	"capd.example/watcher"
)

// desk is what a person can ask and tell the running agent through capctl. It also holds
// the logs that wait, since a pause makes them wait longer.
type desk struct {
	agent   *agent
	since   time.Time
	resumed chan struct{} // wakes the agent's loop after a pause

	mu     sync.Mutex
	queue  []watcher.Log
	paused string
	hand   map[string]string
	once   bool
	set    time.Time // when hand was set
	passes int
	bad    int
	last   *record.Pass
}

// Status implements control.Agent.
func (d *desk) Status(ctx context.Context) (control.Status, error) {
	w := d.agent.watch.State()
	due, err := d.agent.store.Alerts(ctx, true, 0)
	if err != nil {
		return control.Status{}, err
	}
	undelivered := 0
	for _, a := range due {
		if a.DoneAt.IsZero() {
			undelivered++
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return control.Status{
		Bench: d.agent.config.Bench, Version: cli.Version(), PID: os.Getpid(), Since: d.since,
		Watch: w.Folder, WatchMissing: w.Missing, Polling: w.Polling, Folders: w.Folders, Growing: w.Pending,
		Waiting: len(d.queue), Paused: d.paused, Store: d.agent.store.Path(),
		Passes: d.passes, Bad: d.bad, Alerts: undelivered, Next: maps.Clone(d.hand), Last: d.last,
	}, nil
}

// Begin implements control.Agent.
func (d *desk) Begin(_ context.Context, tags map[string]string, once bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	next := maps.Clone(d.hand)
	if next == nil {
		next = map[string]string{}
	}
	for name, value := range tags {
		if name == "" {
			return errors.New("a tag needs a name")
		}
		if value == "" {
			delete(next, name)
		} else {
			next[name] = value
		}
	}
	d.hand, d.once, d.set = next, once, time.Now()
	return nil
}

// slack allows for a pass that the reviewer started just before saying what it is.
const slack = 30 * time.Second

// tags returns what was said for a pass that started then: a log that is late does not
// get tags that were meant for the passes after it.
func (d *desk) tags(started time.Time) map[string]string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.hand) == 0 || started.Before(d.set.Add(-slack)) {
		return nil
	}
	tags := d.hand
	if d.once {
		d.hand, d.once = nil, false
	}
	return tags
}

// Pause implements control.Agent.
func (d *desk) Pause(_ context.Context, reason string) error {
	if reason == "" {
		reason = "paused by hand"
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.paused = reason
	return nil
}

// Resume implements control.Agent.
func (d *desk) Resume(context.Context) error {
	d.mu.Lock()
	d.paused = ""
	d.mu.Unlock()
	d.wake()
	return nil
}

func (d *desk) wake() {
	select {
	case d.resumed <- struct{}{}:
	default:
	}
}

// TestAlert implements control.Agent.
func (d *desk) TestAlert(ctx context.Context, channel string) (map[string]error, error) {
	return d.agent.alerts.Try(ctx, channel, notify.FromTest(d.agent.config.Bench, time.Now())), nil
}

func (d *desk) waiting(l watcher.Log) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.queue = append(d.queue, l)
}

// later lets a log wait again after a while.
func (d *desk) later(l watcher.Log, after time.Duration) {
	time.AfterFunc(after, func() {
		d.waiting(l)
		d.wake()
	})
}

// next takes the log that waits longest, unless the agent is paused.
func (d *desk) next() (watcher.Log, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.paused != "" || len(d.queue) == 0 {
		return watcher.Log{}, false
	}
	l := d.queue[0]
	d.queue = d.queue[1:]
	return l, true
}

func (d *desk) judged(p record.Pass) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.passes++
	if p.Verdict == record.VerdictBad {
		d.bad++
	}
	d.last = &p
}
