package watcher

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// keeper owns all state of a watcher. One goroutine uses it; time comes from outside.
type keeper struct {
	o       Options
	rules   rules
	entries map[string]*entry
	open    map[string]*entry // those of the entries that are pending
	queue   []Log

	source  source
	watched map[string]string    // folder = its identity
	hints   map[string]time.Time // path = time of the last event
	told    map[string]string    // path = trouble that was told
	away    map[string]bool      // folders of which it was told that logs are not here

	// See calm.go.
	names    names
	nameless bool // there are no names to be had
	calm     map[string]*calm
	restless map[string]unrest
	fresh    []*entry             // became pending in this step
	patient  map[string]bool      // folder where a log that was taken soon has changed after that
	attended time.Time            // the latest look at the calm folders
	attendAt time.Time            // the next one; zero for none
	stamps   map[string]time.Time // folder = its time of change, where there are no events
	scratch  scratch

	lookAt      time.Time // when the hints are looked at
	scanAt      time.Time
	dueAt       time.Time // when a pending log is due
	easyAt      time.Time // when one is due that can wait for a beat
	beatAt      time.Time // the latest beat
	lastly      time.Time // last scan
	retryAt     time.Time // when events are asked for again
	scanNow     bool      // the next scan must not be put off
	started     bool      // the first scan is over
	missing     bool
	saidPolling bool // that there are no events
	remote      bool
	handed      int
}

func newKeeper(o Options) *keeper {
	return &keeper{
		o: o, rules: newRules(o.Quiet, o.Latest), entries: map[string]*entry{}, open: map[string]*entry{},
		watched: map[string]string{}, hints: map[string]time.Time{}, told: map[string]string{}, away: map[string]bool{},
		calm: map[string]*calm{}, restless: map[string]unrest{}, patient: map[string]bool{}, stamps: map[string]time.Time{},
	}
}

// beat notes that the process is awake at a time anyway: what is due soon is done with it.
func (k *keeper) beat(now time.Time) { k.beatAt = now }

// easy reports whether something is due that can wait for a beat.
func (k *keeper) easy(at, now time.Time) bool {
	if now.Equal(k.beatAt) {
		now = now.Add(early)
	}
	return !at.IsZero() && !now.Before(at)
}

// step does all that is due and returns when it wants to be called again.
func (k *keeper) step(now time.Time) time.Time {
	// Before a log is judged, what was heard of it must be looked at.
	if len(k.hints) > 0 && (!now.Before(k.lookAt) || !now.Before(k.dueAt)) {
		k.look(now)
	}
	if k.scanDue(now) {
		k.scan(now)
	}
	k.welcome(now)
	if k.easy(k.attendAt, now) {
		k.attend(now)
	}
	if !now.Before(k.dueAt) || k.easy(k.easyAt, now) {
		k.settleAll(now)
	}
	return k.next(now)
}

// next returns the earliest time at which something is due. What can wait for a beat has
// it come by itself only when a beat fails to appear.
func (k *keeper) next(now time.Time) time.Time {
	late := time.Duration(0)
	if now.Sub(k.beatAt) < 2*lookEvery {
		late = patience
	}
	next := k.dueAt
	for _, at := range []time.Time{k.scanAt, k.attendAt, k.easyAt} {
		if !at.IsZero() && at.Add(late).Before(next) {
			next = at.Add(late)
		}
	}
	if len(k.hints) > 0 && k.lookAt.Before(next) {
		next = k.lookAt
	}
	return next
}

// welcome quietens the folders of logs that have become pending, and begins to learn how
// their loggers work.
func (k *keeper) welcome(now time.Time) {
	for _, e := range k.fresh {
		if e.phase == pending && k.entries[e.file.Path] == e {
			k.quieten(filepath.Dir(e.file.Path), now)
			if k.calm[filepath.Dir(e.file.Path)] != nil {
				k.learn(e, now)
			}
		}
	}
	clear(k.fresh)
	k.fresh = k.fresh[:0]
}

// settleAll carries all logs as far as they go now.
func (k *keeper) settleAll(now time.Time) {
	due, easy := now.Add(time.Hour), time.Time{}
	for _, e := range byAge(k.open) {
		at := k.settle(e, now)
		switch {
		case at.IsZero():
		case k.canWait(e, now):
			if easy.IsZero() || at.Before(easy) {
				easy = at
			}
		case at.Before(due):
			due = at
		}
	}
	k.dueAt, k.easyAt = due, easy
}

// canWait reports whether a log can wait for a beat: unless it was found closed, or has not
// changed for so long that it may be complete.
func (k *keeper) canWait(e *entry, now time.Time) bool {
	growing := now.Sub(e.lastChange) < lookEvery && (!e.shut || e.patient)
	return growing || e.awaited || e.writer == WriterOpen || e.writer == WriterRefused
}

// scanDue puts a scan off while a log is being written, for a pass is running then: never
// for longer than ten minutes where events tell the rest, and where they cannot be trusted
// only as long as nothing but the logs that are written changes.
func (k *keeper) scanDue(now time.Time) bool {
	if k.scanNow || !k.started {
		return true
	}
	if !k.easy(k.scanAt, now) {
		return false
	}
	if k.missing || !k.growing() {
		return true
	}
	again, most := k.rules.quiet, 10*time.Minute
	if k.polling() {
		again, most = k.interval(), k.o.Rescan
	}
	if now.Sub(k.lastly) >= most || k.polling() && k.stirs(now) {
		return true
	}
	k.scanAt = now.Add(again)
	return false
}

// stirs looks at the logs that are being written and reports whether a folder changed.
func (k *keeper) stirs(now time.Time) bool {
	for folder, before := range k.stamps {
		if stamp, ok := changed(folder); !ok || !stamp.Equal(before) {
			return true
		}
	}
	for path := range k.open {
		k.refresh(path, now)
	}
	return false
}

func (k *keeper) growing() bool {
	for _, e := range k.open {
		if e.writer != WriterRefused {
			return true
		}
	}
	return false
}

func (k *keeper) polling() bool { return k.o.Poll > 0 || k.remote || k.source == nil }

func (k *keeper) interval() time.Duration {
	switch {
	case k.missing:
		return min(absent, k.o.Rescan)
	case k.o.Poll > 0:
		return k.o.Poll
	case k.polling():
		return min(poll, k.o.Rescan)
	}
	return k.o.Rescan
}

// settle carries one log as far as it goes now and returns when to look again.
func (k *keeper) settle(e *entry, now time.Time) time.Time {
	act, at := decide(*e, now, k.rules)
	if act == probe {
		if !k.probe(e, now) {
			return time.Time{}
		}
		act, at = decide(*e, now, k.rules)
	}
	switch act {
	case probe: // never twice at the same time
		return now.Add(k.rules.probe)
	case take, force:
		k.take(e, act == force, now)
		return time.Time{}
	}
	return at
}

// probe looks whether the log still stands as it did, then whether a writer is left. It
// reports whether the log is still there.
func (k *keeper) probe(e *entry, now time.Time) bool {
	path, before := e.file.Path, e.file
	if !k.refresh(path, now) {
		return false
	}
	if !e.file.same(before) {
		return true // it has changed: its time starts again
	}
	e.writer, e.probedAt = k.o.testProbe(path), now
	e.seen(e.writer, now)
	if e.writer == WriterRefused {
		k.troubleOnce(path, os.ErrPermission, "let this user read the log; the agent tries again every 30 s")
		return true
	}
	delete(k.told, path)
	return true
}

func (k *keeper) take(e *entry, forced bool, now time.Time) {
	e.phase, e.soon = queued, e.steady()
	k.unfollow(e)
	k.queue = append(k.queue, Log{
		File: e.file, Writer: e.writer, FirstSeen: e.firstSeen, LastChange: e.lastChange,
		CompleteAt: now, Forced: forced, Again: e.again,
	})
}

// unfollow ends what is done for a log that is not complete.
func (k *keeper) unfollow(e *entry) {
	delete(k.open, e.file.Path)
	if e.awaited {
		k.names.Remove(e.file.Path)
		e.awaited = false
	}
}

// sent notes that the receiver has the log.
func (k *keeper) sent(l Log) {
	k.queue = k.queue[1:]
	k.handed++
	if e := k.entries[l.Path]; e != nil {
		e.phase, e.again = done, true
	}
}

// observe takes in what the file system says about a log, which changed at a time.
func (k *keeper) observe(f File, at time.Time) {
	e := k.entries[f.Path]
	if k.started && (e == nil || !e.file.same(f)) {
		k.o.Noticed()
	}
	if e == nil {
		e = &entry{file: f, firstSeen: at, lastChange: at, begun: at}
		k.entries[f.Path] = e
		k.follow(e)
		if !k.started && !k.o.Existing || f.Size > 0 && k.o.Known(f) {
			e.phase, e.again = done, true
			delete(k.open, f.Path)
		}
		return
	}
	if e.file.same(f) {
		return
	}
	switch {
	case e.file.FileID != f.FileID:
		k.unfollow(e)
		*e = entry{phase: e.phase, again: e.again, firstSeen: at, begun: at}
	case e.shut:
		e.patient = true
		if e.soon {
			k.patient[filepath.Dir(f.Path)] = true
		}
	}
	if e.phase == done { // it is written anew, or goes on
		e.begun, e.table, e.askAt = at, false, 0
	}
	if e.phase == queued {
		k.queue = slices.DeleteFunc(k.queue, func(l Log) bool { return l.Path == f.Path })
	}
	e.file, e.phase, e.lastChange, e.writer, e.probedAt = f, pending, at, WriterUnknown, time.Time{}
	k.follow(e)
}

// follow begins or goes on with what is done for a log that is not complete.
func (k *keeper) follow(e *entry) {
	if k.open[e.file.Path] == nil {
		k.fresh = append(k.fresh, e)
	}
	k.open[e.file.Path], k.dueAt = e, time.Time{}
}

// forget drops a log that is no longer there. Only one that was not complete is worth a
// word, and not when it merely got another name.
func (k *keeper) forget(path string) {
	e := k.entries[path]
	if e != nil {
		k.unfollow(e)
	}
	delete(k.entries, path)
	delete(k.told, path)
	k.queue = slices.DeleteFunc(k.queue, func(l Log) bool { return l.Path == path })
	if e == nil || e.phase == done || e.file.Size == 0 {
		return
	}
	for _, other := range k.entries {
		if e.file.FileID != "" && other.file.FileID == e.file.FileID {
			return
		}
	}
	k.trouble(path, ErrVanished, "nothing of it is stored; repeat the pass if nobody meant to delete the log")
}

// forgetBelow drops all logs and watches below a folder that is gone.
func (k *keeper) forgetBelow(folder string) {
	below := folder + string(filepath.Separator)
	for path := range k.watched {
		if path == folder || strings.HasPrefix(path, below) {
			delete(k.watched, path)
		}
	}
	for path, c := range k.calm {
		if path == folder || strings.HasPrefix(path, below) {
			if c.heard {
				k.names.Remove(path)
			}
			delete(k.calm, path)
		}
	}
	for path := range k.entries {
		if strings.HasPrefix(path, below) {
			k.forget(path)
		}
	}
}

// byAge lists logs, longest unchanged first, so that they are handed on in the order in
// which they were finished.
func byAge(m map[string]*entry) []*entry {
	all := make([]*entry, 0, len(m))
	for _, e := range m {
		all = append(all, e)
	}
	slices.SortFunc(all, func(x, y *entry) int {
		if c := x.lastChange.Compare(y.lastChange); c != 0 {
			return c
		}
		if c := x.file.ModTime.Compare(y.file.ModTime); c != 0 {
			return c
		}
		return strings.Compare(x.file.Path, y.file.Path)
	})
	return all
}

func (k *keeper) trouble(path string, err error, hint string) {
	k.o.Trouble(Trouble{Path: path, Err: err, Hint: hint})
}

// troubleOnce tells the same trouble with the same path only once until it has passed.
func (k *keeper) troubleOnce(path string, err error, hint string) {
	if k.told[path] == err.Error() {
		return
	}
	k.told[path] = err.Error()
	k.trouble(path, err, hint)
}

func (k *keeper) state() State {
	s := State{
		Folder: k.o.Folder, Missing: k.missing, Polling: k.polling(), Folders: len(k.watched) + len(k.calm),
		Pending: len(k.open), Queued: len(k.queue), Handed: k.handed,
	}
	for _, e := range k.open {
		overTime := e.lastChange.Sub(e.begun) >= time.Second
		if overTime && !k.table(e) {
			continue
		}
		if e.lastChange.After(s.Changed) {
			s.Changed = e.lastChange
		}
		if !overTime {
			continue
		}
		if e.lastChange.After(s.Recording) {
			s.Recording = e.lastChange
		}
		if e.begun.After(s.HolderSince) || e.begun.Equal(s.HolderSince) && e.file.Path < s.Holder {
			s.Holder, s.HolderSince = e.file.Path, e.begun
		}
	}
	return s
}

// table reports whether a log that is being written reads as one so far. Whatever else a
// program keeps writing into the folder is no recording.
func (k *keeper) table(e *entry) bool {
	if !e.table && e.file.Size >= e.askAt {
		e.table, e.askAt = k.o.Table(e.file.Path), 2*e.file.Size
	}
	return e.table
}
