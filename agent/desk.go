package agent

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"slices"
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
	agent *Agent
	since time.Time
	wakes chan struct{} // wakes the agent's loop after a pause

	mu     sync.Mutex
	queue  []waiting
	hold   time.Time // no log is taken before
	held   string    // the file being written that the first of them waits for
	paused string
	hand   said // until they are taken back
	once   said // for the next pass alone; an empty value hides one of hand
	judges tally
	last   *record.Pass
}

// waiting is a log that waits to be read.
type waiting struct {
	watcher.Log
	hold time.Time // it is not taken before
	why  error     // why it could not be read the last time
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
	var troubles []control.Trouble
	for _, s := range d.agent.troubles.List() {
		troubles = append(troubles, control.Trouble(s))
	}
	undelivered, err := d.agent.store.Undelivered(ctx)
	last, bad, lastErr := d.standing(ctx)
	if err = errors.Join(err, lastErr); err != nil { // the rest can still be told
		troubles = append(troubles, control.Trouble{Text: err.Error(), Advice: adviceFor(err), Since: time.Now().UTC()})
	}
	position := d.agent.plan.position(ctx)
	d.mu.Lock()
	defer d.mu.Unlock()
	return control.Status{
		Bench: d.agent.config.Bench, Version: cli.Version(), PID: os.Getpid(), Since: d.since,
		Watch: w.Folder, WatchMissing: w.Missing, Polling: w.Polling, Folders: w.Folders, Growing: w.Pending,
		Waiting: len(d.queue) + w.Queued, WaitingFor: d.held, Paused: d.paused, Troubles: troubles, Store: d.agent.store.Path(),
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

func (d *desk) arrive(l watcher.Log) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.queue = append(d.queue, waiting{Log: l})
}

// length returns how many logs the desk holds.
func (d *desk) length() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.queue)
}

// putBack puts a log at the head of the queue; nothing is taken before the given time.
func (d *desk) putBack(l waiting, hold time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.queue = append([]waiting{l}, d.queue...)
	d.hold = hold
}

// putOff lets one log that could not be read wait until the given time, and no other.
func (d *desk) putOff(l waiting, hold time.Time, why error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	l.hold, l.why = hold, why
	d.queue = append(d.queue, l)
}

// unread returns the logs that could not be read when they were last tried.
func (d *desk) unread() (out []waiting) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, l := range d.queue {
		if l.why != nil {
			out = append(out, l)
		}
	}
	return out
}

const (
	// recordingFor is how long after its latest growth a log counts as being recorded.
	recordingFor = 3 * time.Second
	// patience is how long complete logs wait for one that is being recorded.
	patience = 10 * time.Minute
)

// recordedUntil is until when a log counts as being recorded: none does that others would
// have waited for too long already.
func recordedUntil(w watcher.State) time.Time {
	if w.Holder == "" {
		return time.Time{}
	}
	until := w.Recording.Add(recordingFor)
	if latest := w.HolderSince.Add(patience); until.After(latest) {
		return latest
	}
	return until
}

// next takes the log that waits longest, if one may be taken now: the agent is not
// paused, the store was not in trouble a moment ago, and no other log is being recorded.
// Without a log, wait is when to ask again, 0 for when something happens.
func (d *desk) next(now time.Time, w watcher.State) (l *waiting, wait time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.held = ""
	if d.paused != "" || len(d.queue) == 0 {
		return nil, 0
	}
	first := 0
	for i, l := range d.queue {
		if l.hold.Before(d.queue[first].hold) {
			first = i
		}
	}
	next := d.queue[first]
	until := recordedUntil(w)
	if latest := next.CompleteAt.Add(patience); until.After(latest) {
		until = latest
	}
	if now.Before(until) {
		d.held = w.Holder
	}
	for _, hold := range []time.Time{d.hold, next.hold} {
		if hold.After(until) {
			until = hold
		}
	}
	if now.Before(until) {
		return nil, until.Sub(now)
	}
	d.queue = slices.Delete(d.queue, first, first+1)
	return &next, 0
}

// idle reports that no log waits and that the agent is not paused.
func (d *desk) idle() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.paused == "" && len(d.queue) == 0
}

// holdsUp returns the file being written that the longest waiting log waits for, "" for
// none, and since when that log waits.
func (d *desk) holdsUp() (file string, since time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.held == "" || len(d.queue) == 0 {
		return "", time.Time{}
	}
	since = d.queue[0].CompleteAt
	for _, l := range d.queue {
		if l.CompleteAt.Before(since) {
			since = l.CompleteAt
		}
	}
	return d.held, since
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
