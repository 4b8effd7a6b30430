package main

import (
	"context"
	"encoding/json"
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
	agent *agent
	since time.Time
	wakes chan struct{} // wakes the agent's loop after a pause

	mu     sync.Mutex
	queue  []watcher.Log
	hold   time.Time // no log is taken before
	paused string
	hand   map[string]string
	once   bool
	set    time.Time // when hand was set
	ids    []string  // of the passes judged since the start
	last   *record.Pass
}

// Status implements control.Agent.
func (d *desk) Status(ctx context.Context) (control.Status, error) {
	w := d.agent.watch.State()
	undelivered, err := d.agent.store.Undelivered(ctx)
	if err != nil {
		return control.Status{}, err
	}
	position := d.agent.plan.position(ctx)
	last, bad, err := d.standing(ctx)
	if err != nil {
		return control.Status{}, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return control.Status{
		Bench: d.agent.config.Bench, Version: cli.Version(), PID: os.Getpid(), Since: d.since,
		Watch: w.Folder, WatchMissing: w.Missing, Polling: w.Polling, Folders: w.Folders, Growing: w.Pending,
		Waiting: len(d.queue), Paused: d.paused, Store: d.agent.store.Path(),
		Passes: len(d.ids), Bad: int(bad), Alerts: undelivered, Campaign: position, Next: maps.Clone(d.hand), Last: last,
	}, nil
}

// standing returns the latest pass, and how many since the start are bad, by what the store
// says now: a verdict may have been overruled or found anew since the pass arrived.
func (d *desk) standing(ctx context.Context) (last *record.Pass, bad int64, err error) {
	d.mu.Lock()
	last = d.last
	ids, err := json.Marshal(d.ids)
	d.mu.Unlock()
	if err != nil || last == nil {
		return nil, 0, err
	}
	now, err := d.agent.store.Pass(ctx, last.ID)
	if err != nil {
		return nil, 0, err
	}
	rows, err := d.agent.store.Query(ctx, `SELECT count(*) FROM passes WHERE verdict = 'bad' AND id IN (SELECT value FROM json_each(?))`, string(ids))
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	row, err := rows.Next()
	if err != nil {
		return nil, 0, err
	}
	if len(row) == 1 {
		bad, _ = row[0].(int64)
	}
	return &now, bad, nil
}

// Begin implements control.Agent: tags join those in force, an empty value takes one back,
// and no tags take all back.
func (d *desk) Begin(_ context.Context, tags map[string]string, once bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	next := maps.Clone(d.hand)
	if next == nil || len(tags) == 0 {
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
	return maps.Clone(d.hand)
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
	case d.wakes <- struct{}{}:
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

// putBack puts a log at the head of the queue; nothing is taken before the given time.
func (d *desk) putBack(l watcher.Log, hold time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.queue = append([]watcher.Log{l}, d.queue...)
	d.hold = hold
}

const (
	// recordingFor is how long after its latest growth a log counts as being recorded.
	recordingFor = 3 * time.Second
	// patience is how long a complete log may wait for others that are being recorded.
	patience = 10 * time.Minute
)

// next takes the log that waits longest, if one may be taken now: the agent is not
// paused, the store was not in trouble a moment ago, and no other log is being recorded.
// Without a log, wait is when to ask again, 0 for when something happens.
func (d *desk) next(now, recording time.Time) (l *watcher.Log, wait time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.paused != "" || len(d.queue) == 0 {
		return nil, 0
	}
	until := recording.Add(recordingFor)
	if latest := d.queue[0].CompleteAt.Add(patience); until.After(latest) {
		until = latest
	}
	if d.hold.After(until) {
		until = d.hold
	}
	if now.Before(until) {
		return nil, until.Sub(now)
	}
	first := d.queue[0]
	d.queue = d.queue[1:]
	return &first, 0
}

func (d *desk) judged(p record.Pass) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ids = append(d.ids, p.ID)
	d.last = &p
	if d.once && !p.StartedAt.Before(d.set.Add(-slack)) {
		d.hand, d.once = nil, false
	}
}
