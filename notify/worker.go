package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// worker delivers to one channel.
type worker struct {
	Route
	name   string
	report func(Outcome)
	wake   chan struct{}
	memory *memory

	// Used by the worker's own goroutine only.
	told  map[string]time.Time // cause = when it was last told
	pause time.Time            // nothing is sent before, since the receiver seems to be down
	begun bool                 // what an earlier run left has been tried
	downs int                  // failures in a row that say that the receiver is down
	// Alerts that arrived although the queue could not note it: sending them again
	// would tell people twice.
	unnoted map[string]bool
	later   map[string]time.Time // queued alert = when it is to be tried or noted again
	unit    time.Duration        // the first wait after a failure
}

const (
	firstWait   = time.Second
	longestWait = 5 * time.Minute
	farthest    = time.Hour       // the longest wait that a receiver can ask for
	queueWait   = 5 * time.Second // after the queue itself failed
)

// Refused marks a failure that concerns this one message and says nothing about the
// receiver: the next message is tried at once.
type Refused struct{ Err error }

func (e *Refused) Error() string { return e.Err.Error() }
func (e *Refused) Unwrap() error { return e.Err }

// Later marks a failure whose receiver said when to come back.
type Later struct {
	Err   error
	After time.Duration
}

func (e *Later) Error() string { return e.Err.Error() }
func (e *Later) Unwrap() error { return e.Err }

func (w *worker) enqueue(ctx context.Context, a Alert) error {
	q, err := queued(a, w.name)
	if err != nil {
		return err
	}
	if err = w.Queue.Enqueue(ctx, q); err != nil {
		_ = w.memory.Enqueue(ctx, q) // a queue in memory cannot fail
	} else if w.Queue != Queue(w.memory) {
		w.memory.withdraw(q.ID) // it could not be queued the first time
	}
	select {
	case w.wake <- struct{}{}:
	default: // it is awake already
	}
	return err
}

func (w *worker) run(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		case <-w.wake:
		}
		next := w.round(ctx)
		if next.IsZero() {
			timer.Stop()
			continue
		}
		timer.Reset(time.Until(next))
	}
}

// round delivers what is due and returns when to come back; zero: when woken.
func (w *worker) round(ctx context.Context) time.Time {
	now := time.Now()
	if now.Before(w.pause) {
		return w.pause
	}
	items, queue, err := w.due(ctx, now)
	if err != nil {
		return now.Add(queueWait)
	}
	batches, next := w.group(items, now)
	for _, b := range batches {
		if w.deliver(ctx, queue, b) {
			return w.pause
		}
	}
	w.begun = true
	for id, t := range w.later {
		if !t.After(now) { // its time was this round; what is to come back has another one now
			delete(w.later, id)
		} else if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	return next
}

// due lists what is due for this channel. Until the first round that comes through, it
// takes all that an earlier run left, whenever that meant to try again: nobody would wake
// the worker for it later. From then on the worker's own times hold: of what it tried, and
// could not note, the queue has those of the earlier run.
func (w *worker) due(ctx context.Context, now time.Time) ([]Queued, map[string]Queue, error) {
	queue := map[string]Queue{}
	var mine []Queued
	take := func(from Queue, list []Queued) {
		for _, q := range list {
			if w.begun && w.later[q.ID].After(now) {
				continue
			}
			if q.Channel == w.name && queue[q.ID] == nil && !w.noteAgain(ctx, from, q.ID) {
				queue[q.ID] = from
				mine = append(mine, q)
			}
		}
	}
	list, err := w.Queue.Due(ctx, now.Add(farthest))
	take(w.Queue, list)
	if w.Queue != Queue(w.memory) {
		rest, _ := w.memory.Due(ctx, now)
		take(w.memory, rest)
		if len(rest) > 0 {
			err = nil // there is something to do although the store cannot be read
		}
	}
	return mine, queue, err
}

// batch is one message: one alert or several of one cause.
type batch struct {
	alert Alert
	items []Queued
}

// group puts alerts of one cause together where the channel wants that. The first of a
// cause goes at once; more of it wait until the time since is over, and then go as one.
func (w *worker) group(items []Queued, now time.Time) (out []batch, held time.Time) {
	at := map[string]int{}
	for _, one := range oldestFirst(items) {
		a, q := one.alert, one.items[0]
		if w.Group <= 0 || a.Cause == "" {
			out = append(out, one)
			continue
		}
		key := a.Bench + "\x00" + a.Cause
		last, was := w.told[key]
		if was && now.Before(last.Add(w.Group)) {
			if t := last.Add(w.Group); held.IsZero() || t.Before(held) {
				held = t
			}
			continue
		}
		if i, ok := at[key]; ok && was {
			out[i] = merge(out[i], a, q)
			continue
		} else if ok {
			held = now.Add(w.Group) // the second of a new cause waits
			continue
		}
		at[key] = len(out)
		out = append(out, one)
	}
	return out, held
}

// oldestFirst reads what is queued and puts it in the order in which it happened; a queue
// orders by when the next attempt is due.
func oldestFirst(items []Queued) []batch {
	var out []batch
	for _, q := range items {
		var a Alert
		if err := json.Unmarshal(q.Payload, &a); err != nil {
			a = Alert{ID: q.ID, Kind: Trouble, Text: "an alert in the queue cannot be read: " + err.Error(),
				Advice: "look for the pass with capctl passes"}
		}
		out = append(out, batch{a, []Queued{q}})
	}
	slices.SortStableFunc(out, func(a, b batch) int { return a.alert.At.Compare(b.alert.At) })
	return out
}

// merge adds one more alert of the same cause. The identity is that of the first, so
// that a repetition of the whole is recognised.
func merge(b batch, a Alert, q Queued) batch {
	b.items = append(b.items, q)
	b.alert.Count = len(b.items)
	id, text := b.alert.ID, a.Text
	b.alert = Alert{
		ID: id, Kind: a.Kind, At: b.alert.At, Bench: a.Bench, Advice: a.Advice, Cause: a.Cause, Log: a.Log, Pass: a.Pass,
		Count: len(b.items), Text: text,
	}
	return b
}

// deliver sends one message and notes the outcome. It reports whether the receiver should
// be left alone for a while.
func (w *worker) deliver(ctx context.Context, queue map[string]Queue, b batch) (down bool) {
	a := b.alert
	if a.Count > 1 {
		a.Text = fmt.Sprintf("%d more with the same cause; the last: %s", a.Count, a.Text)
	}
	err := w.send(ctx, a)
	if ctx.Err() != nil {
		w.pause = time.Time{}
		return true // interrupted: it stays as it is
	}
	now := time.Now()
	o := Outcome{Channel: w.name, AlertID: a.ID, Count: len(b.items), Waited: now.Sub(a.At), Err: err}
	if err != nil {
		return w.failed(ctx, queue, b, o, now)
	}
	w.downs = 0
	if len(w.told) > most {
		clear(w.told)
	}
	w.told[a.Bench+"\x00"+a.Cause] = now
	for _, q := range b.items {
		if err := queue[q.ID].Delivered(ctx, q.ID); err != nil {
			w.unnoted[q.ID], w.later[q.ID] = true, now.Add(queueWait)
			o.Err = errors.Join(o.Err, fmt.Errorf("note the delivery: %w", err))
			continue
		}
		delete(w.later, q.ID)
	}
	w.report(o)
	return false
}

// failed notes a failure and when to try again, or that it is given up.
func (w *worker) failed(ctx context.Context, queue map[string]Queue, b batch, o Outcome, now time.Time) (down bool) {
	failed, why := b.items[0].Attempts, o.Err
	var refused *Refused
	wait := w.backOff(why, failed)
	if !errors.As(why, &refused) {
		wait = w.backOff(why, w.downs)
		w.downs++
	}
	giveUp := w.Attempts > 0 && failed+1 >= w.Attempts
	if !giveUp {
		o.Next = now.Add(wait)
	}
	for _, q := range b.items {
		w.later[q.ID] = o.Next
		if giveUp {
			delete(w.later, q.ID)
		}
		if err := queue[q.ID].Failed(ctx, q.ID, why, o.Next); err != nil {
			o.Err = errors.Join(o.Err, err)
			w.later[q.ID] = later(o.Next, now.Add(queueWait)) // what is given up stays due until that can be noted
		}
	}
	w.report(o)
	if giveUp || refused != nil {
		return false
	}
	w.pause = o.Next
	return true
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// noteAgain reports whether an alert has arrived already, and tries to note that.
func (w *worker) noteAgain(ctx context.Context, queue Queue, id string) bool {
	if !w.unnoted[id] && (queue == Queue(w.memory) || !w.memory.delivered(id)) {
		return false
	}
	if queue.Delivered(ctx, id) == nil {
		delete(w.unnoted, id)
		delete(w.later, id)
		return true
	}
	w.later[id] = time.Now().Add(queueWait)
	return true
}

func (w *worker) send(ctx context.Context, a Alert) error {
	ctx, cancel := context.WithTimeout(ctx, w.Timeout)
	defer cancel()
	err := w.Channel.Send(ctx, a)
	if err != nil && errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return fmt.Errorf("no answer within %v: %w", w.Timeout, err)
	}
	return err
}

// backOff doubles from a second to five minutes, unless the receiver said when.
func (w *worker) backOff(err error, failed int) time.Duration {
	var later *Later
	if errors.As(err, &later) && later.After > 0 {
		return min(later.After, farthest)
	}
	if failed > 8 {
		return longestWait
	}
	return min(w.unit<<failed, longestWait)
}
