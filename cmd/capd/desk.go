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
	hand   said // until they are taken back
	once   said // for the next pass alone; an empty value hides one of hand
	judges tally
	last   *record.Pass
}

// said are tags given by hand.
type said struct {
	tags map[string]string
	at   time.Time
}

// slack allows for a pass that the reviewer started just before saying what it is.
const slack = 30 * time.Second

// meets reports whether the tags are meant for a pass that started then: a log that is late
// does not get tags that were meant for the passes after it.
func (s said) meets(started time.Time) bool { return !started.Before(s.at.Add(-slack)) }

// tally counts the passes judged since the start. The latest are kept, so that the store can
// say how they stand now; of those before, what was said when they arrived.
type tally struct {
	passes, badBefore int
	latest            []judged
}

type judged struct {
	id  string
	bad bool
}

const mostLatest = 1000

func (t *tally) add(p record.Pass) {
	for i, j := range t.latest { // it is told again, or was checked again
		if j.id == p.ID {
			t.latest[i].bad = p.Verdict == record.VerdictBad
			return
		}
	}
	t.passes++
	if len(t.latest) == mostLatest {
		if t.latest[0].bad {
			t.badBefore++
		}
		t.latest = append(t.latest[:0], t.latest[1:]...)
	}
	t.latest = append(t.latest, judged{p.ID, p.Verdict == record.VerdictBad})
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
		Passes: d.judges.passes, Bad: int(bad), Alerts: undelivered, Campaign: position, Next: d.coming(), Then: over(d.hand.tags, nil), Last: last,
	}, nil
}

// standing returns the latest pass, and how many since the start are bad, by what the store
// says now: a verdict may have been overruled or found anew since the pass arrived.
func (d *desk) standing(ctx context.Context) (last *record.Pass, bad int64, err error) {
	d.mu.Lock()
	last = d.last
	list := make([]string, len(d.judges.latest))
	for i, j := range d.judges.latest {
		list[i] = j.id
	}
	before := int64(d.judges.badBefore)
	d.mu.Unlock()
	ids, err := json.Marshal(list)
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
	return &now, before + bad, nil
}

// Begin implements control.Agent: tags join those in force, an empty value takes one back,
// and no tags take all back. Those for the next pass alone leave the others as they are.
func (d *desk) Begin(_ context.Context, tags map[string]string, once bool) error {
	if _, unnamed := tags[""]; unnamed {
		return errors.New("a tag needs a name")
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	now := time.Now()
	if len(tags) == 0 {
		d.hand, d.once = said{at: now}, said{}
		return nil
	}
	hand, next := filled(d.hand.tags), filled(d.once.tags)
	for name, value := range tags {
		switch {
		case once && (value != "" || hand[name] != ""):
			next[name] = value
		case value != "":
			hand[name] = value
			delete(next, name) // what was said last holds
		default:
			delete(next, name)
			if !once {
				delete(hand, name)
			}
		}
	}
	if once {
		d.once = said{next, now}
	} else {
		d.hand, d.once.tags = said{hand, now}, next
	}
	return nil
}

// filled returns a copy that can be written to.
func filled(m map[string]string) map[string]string {
	out := map[string]string{}
	maps.Copy(out, m)
	return out
}

// coming returns the tags that the next pass gets.
func (d *desk) coming() map[string]string { return over(d.hand.tags, d.once.tags) }

// over puts tags for one pass over those that stay.
func over(hand, once map[string]string) map[string]string {
	out := filled(hand)
	maps.Copy(out, once)
	maps.DeleteFunc(out, func(_, value string) bool { return value == "" })
	return out
}

// tags returns what was said for a pass that started then.
func (d *desk) tags(started time.Time) map[string]string {
	d.mu.Lock()
	defer d.mu.Unlock()
	var hand, once map[string]string
	if d.hand.meets(started) {
		hand = d.hand.tags
	}
	if d.once.meets(started) {
		once = d.once.tags
	}
	return over(hand, once)
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

// length returns how many logs the desk holds.
func (d *desk) length() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.queue)
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

// queued counts the complete logs that wait.
func (d *desk) queued() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.queue)
}

// moved notes another verdict on a pass.
func (d *desk) moved(p record.Pass) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, j := range d.judges.latest {
		if j.id == p.ID {
			d.judges.latest[i].bad = p.Verdict == record.VerdictBad
		}
	}
}

func (d *desk) judged(p record.Pass) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.judges.add(p)
	d.last = &p
	if d.once.meets(p.StartedAt) {
		d.once = said{}
	}
}
