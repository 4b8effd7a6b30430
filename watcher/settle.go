package watcher

import "time"

// Writer says whether a program has a log open for writing.
type Writer int

// The answers of the probe.
const (
	WriterUnknown Writer = iota // the file system or the operating system cannot tell
	WriterNone                  // nobody has it open for writing
	WriterOpen                  // somebody still has it open for writing
	WriterRefused               // the log may not be read by this user
)

func (w Writer) String() string {
	switch w {
	case WriterNone:
		return "none"
	case WriterOpen:
		return "still open"
	case WriterRefused:
		return "may not be read"
	}
	return "unknown"
}

// rules are the times that the decision uses.
type rules struct {
	quiet   time.Duration // without a change before a log counts as complete
	soon    time.Duration // the same for a log that one writer held open all along and has closed
	unsure  time.Duration // the same where nobody can tell whether a writer is left
	latest  time.Duration // silent but held open: taken all the same
	empty   time.Duration // an empty log that nobody holds: taken, so that it is reported
	probe   time.Duration // between two probes of a log that is held open
	deaf    time.Duration // the same where its closing is told: in case that it was not
	refused time.Duration // between two probes of a log that may not be read
}

func newRules(quiet, latest time.Duration) rules {
	return rules{
		quiet: quiet, soon: quiet / 4, unsure: max(quiet, min(5*time.Second, latest)), latest: latest,
		empty: min(15*quiet, latest), probe: min(time.Second, quiet), deaf: min(10*time.Second, latest),
		refused: 30 * time.Second,
	}
}

// phase is how far a log has come.
type phase int

const (
	pending phase = iota // seen, not yet complete
	queued               // complete, waiting for the receiver
	done                 // handed on, or known from before
)

// entry is what is known of one log.
type entry struct {
	file       File
	phase      phase
	again      bool // was handed on before and has changed since
	firstSeen  time.Time
	begun      time.Time // when it was first noticed, or first noticed to change after it was handed on
	table      bool      // its beginning reads as a log
	askAt      int64     // size from which it is asked for that again
	lastChange time.Time // when the agent noticed the last change, by the agent's clock
	writer     Writer
	probedAt   time.Time // zero: not since the last change

	awaited bool      // its closing will be told: until then the writer is there
	held    int       // looks, each a while after the one before, that found it open and not closed in between
	heldAt  time.Time // the latest of them
	shut    bool      // was found closed, or told to be
	patient bool      // has changed after that, or nobody can tell: only the quiet time decides
	soon    bool      // was taken after the shorter time
}

// steadyLooks is how many looks must have found a log open, with no closing in between,
// before its logger counts as one that holds it open for the whole pass.
const steadyLooks = 3

// quietOf is how long a log must stand still before anything is done with it. A logger that
// opens, appends and closes for every line has no writer between two lines either: its log
// waits for longer than one that a single writer held open all along.
func (r rules) quietOf(e entry) time.Duration {
	switch {
	case e.awaited:
		return r.deaf
	case e.steady():
		return r.soon
	}
	return r.quiet
}

func (e entry) steady() bool { return e.held >= steadyLooks && !e.patient }

// seen takes in the answer of a probe.
func (e *entry) seen(w Writer, now time.Time) {
	switch {
	case w == WriterNone:
		e.shut, e.awaited = true, false
	case w == WriterOpen && e.shut:
		e.patient = true // somebody has opened it again
	case w == WriterOpen:
		e.hold(now)
	case w == WriterUnknown:
		e.patient = true
	}
}

// hold counts a look that found the log open.
func (e *entry) hold(now time.Time) {
	if now.Sub(e.heldAt) >= lookEvery-early {
		e.held++
		e.heldAt = now
	}
}

// action is what to do with a log now.
type action int

const (
	wait  action = iota // nothing before the time that comes with it; zero: before an event
	probe               // ask the operating system whether a writer is left
	take                // complete
	force               // not known to be complete, but taken at the latest time
)

// decide says what to do with a log at the time now, and when to ask again. It compares
// only times of the agent's own clock with each other: the log's time of change comes
// from the file system's clock and merely tells that there was a change.
func decide(e entry, now time.Time, r rules) (action, time.Time) {
	if e.phase != pending {
		return wait, time.Time{}
	}
	quiet := e.lastChange.Add(r.quietOf(e))
	if now.Before(quiet) {
		return wait, quiet
	}
	if e.probedAt.IsZero() {
		return probe, now
	}
	switch {
	case e.writer == WriterRefused:
		return again(now, e.probedAt.Add(r.refused))
	case e.writer == WriterOpen:
		return decideHeld(e, now, r)
	case e.file.Size == 0:
		return decideEmpty(e, now, r)
	case e.writer == WriterUnknown:
		return decideAfter(e, now, e.lastChange.Add(r.unsure))
	}
	return decideAfter(e, now, quiet)
}

// decideHeld waits for the writer to go. A log that is empty at the latest time is not
// forced: its logger keeps everything in memory until the end of the pass.
func decideHeld(e entry, now time.Time, r rules) (action, time.Time) {
	next := e.probedAt.Add(r.probe)
	if e.awaited {
		next = e.probedAt.Add(r.deaf)
	}
	if e.file.Size > 0 {
		latest := e.lastChange.Add(r.latest)
		if !now.Before(latest) {
			return force, now
		}
		if latest.Before(next) {
			next = latest
		}
	}
	return again(now, next)
}

// decideEmpty gives a logger that makes the file first and fills it later some time.
func decideEmpty(e entry, now time.Time, r rules) (action, time.Time) {
	limit := r.empty
	if e.writer == WriterUnknown {
		limit = r.latest
	}
	return decideAfter(e, now, e.lastChange.Add(limit))
}

// decideAfter takes a log at a time, after one more probe: much can have happened since
// the first.
func decideAfter(e entry, now, at time.Time) (action, time.Time) {
	if now.Before(at) {
		return wait, at
	}
	if e.probedAt.Before(at) {
		return probe, now
	}
	return take, now
}

func again(now, at time.Time) (action, time.Time) {
	if now.Before(at) {
		return wait, at
	}
	return probe, now
}
