package agent

import (
	"slices"
	"sync"
	"time"

	"capd.example/watcher"
)

// intake holds the complete logs until they may be read: the agent is a guest, so none is
// while another is being recorded, while the agent is paused, or while the store is in
// trouble. Its methods may be called from several goroutines.
type intake struct {
	wakes chan struct{} // wakes the agent's loop after a pause

	mu     sync.Mutex
	queue  []waiting
	hold   time.Time // no log is taken before
	held   string    // the file being written that the first of them waits for
	paused string    // why; "" while it is not
}

func newIntake() *intake { return &intake{wakes: make(chan struct{}, 1)} }

// waiting is a log that waits to be read.
type waiting struct {
	watcher.Log
	hold time.Time // it is not taken before
	why  error     // why it could not be read the last time
}

// pause lets all logs wait until resume, for the reason given.
func (in *intake) pause(reason string) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.paused = reason
}

func (in *intake) resume() {
	in.mu.Lock()
	in.paused = ""
	in.mu.Unlock()
	poke(in.wakes)
}

// state returns how many logs wait, the file being written that they wait for, and why the
// agent is paused, "" for either where nothing holds them.
func (in *intake) state() (n int, held, paused string) {
	in.mu.Lock()
	defer in.mu.Unlock()
	return len(in.queue), in.held, in.paused
}

func (in *intake) arrive(l watcher.Log) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.queue = append(in.queue, waiting{Log: l})
}

// length returns how many logs wait.
func (in *intake) length() int {
	in.mu.Lock()
	defer in.mu.Unlock()
	return len(in.queue)
}

// putBack puts a log at the head of the queue; nothing is taken before the given time.
func (in *intake) putBack(l waiting, hold time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.queue = append([]waiting{l}, in.queue...)
	in.hold = hold
}

// putOff lets one log that could not be read wait until the given time, and no other.
func (in *intake) putOff(l waiting, hold time.Time, why error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	l.hold, l.why = hold, why
	in.queue = append(in.queue, l)
}

// unread returns the logs that could not be read when they were last tried.
func (in *intake) unread() (out []waiting) {
	in.mu.Lock()
	defer in.mu.Unlock()
	for _, l := range in.queue {
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
func (in *intake) next(now time.Time, w watcher.State) (l *waiting, wait time.Duration) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.held = ""
	if in.paused != "" || len(in.queue) == 0 {
		return nil, 0
	}
	first := 0
	for i, l := range in.queue {
		if l.hold.Before(in.queue[first].hold) {
			first = i
		}
	}
	next := in.queue[first]
	until := recordedUntil(w)
	if latest := next.CompleteAt.Add(patience); until.After(latest) {
		until = latest
	}
	if now.Before(until) {
		in.held = w.Holder
	}
	for _, hold := range []time.Time{in.hold, next.hold} {
		if hold.After(until) {
			until = hold
		}
	}
	if now.Before(until) {
		return nil, until.Sub(now)
	}
	in.queue = slices.Delete(in.queue, first, first+1)
	return &next, 0
}

// idle reports that no log waits and that the agent is not paused.
func (in *intake) idle() bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.paused == "" && len(in.queue) == 0
}

// holdsUp returns the file being written that the longest waiting log waits for, "" for
// none, and since when that log waits.
func (in *intake) holdsUp() (file string, since time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.held == "" || len(in.queue) == 0 {
		return "", time.Time{}
	}
	since = in.queue[0].CompleteAt
	for _, l := range in.queue {
		if l.CompleteAt.Before(since) {
			since = l.CompleteAt
		}
	}
	return in.held, since
}
