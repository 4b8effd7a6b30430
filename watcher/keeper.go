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
	writes  map[string]int       // log = its events since the last look
	muted   map[string]time.Time // folder = last look, see mute.go
	told    map[string]string    // path = trouble that was told

	lookAt      time.Time // when the hints are looked at
	scanAt      time.Time
	dueAt       time.Time // when a pending log is due
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
		watched: map[string]string{}, hints: map[string]time.Time{}, writes: map[string]int{}, muted: map[string]time.Time{}, told: map[string]string{},
	}
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
	listenAt := k.attend(now)
	if !now.Before(k.dueAt) {
		due := now.Add(time.Hour)
		for _, e := range byAge(k.open) {
			if at := k.settle(e, now); !at.IsZero() && at.Before(due) {
				due = at
			}
		}
		k.dueAt = due
	}
	next := k.scanAt
	if len(k.hints) > 0 && k.lookAt.Before(next) {
		next = k.lookAt
	}
	if k.dueAt.Before(next) {
		next = k.dueAt
	}
	if !listenAt.IsZero() && listenAt.Before(next) {
		next = listenAt
	}
	return next
}

// scanDue puts a scan off while a log is being written, for a pass is running then. It
// does not where events are not to be trusted, and never for longer than ten minutes.
func (k *keeper) scanDue(now time.Time) bool {
	if k.scanNow {
		return true
	}
	if now.Before(k.scanAt) {
		return false
	}
	routine := k.started && !k.polling() && !k.missing
	if routine && k.growing() && now.Sub(k.lastly) < 10*time.Minute {
		k.scanAt = now.Add(k.rules.quiet)
		return false
	}
	return true
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
	if e.writer == WriterRefused {
		k.troubleOnce(path, os.ErrPermission, "let this user read the log; it is tried again every 30 s")
		return true
	}
	delete(k.told, path)
	return true
}

func (k *keeper) take(e *entry, forced bool, now time.Time) {
	e.phase = queued
	delete(k.open, e.file.Path)
	k.queue = append(k.queue, Log{
		File: e.file, Writer: e.writer, FirstSeen: e.firstSeen, LastChange: e.lastChange,
		CompleteAt: now, Forced: forced, Again: e.again,
	})
}

// sent notes that the receiver has the log.
func (k *keeper) sent(l Log) {
	k.queue = k.queue[1:]
	k.handed++
	if e := k.entries[l.Path]; e != nil {
		e.phase, e.again = done, true
	}
}

// observe takes in what the file system says about a log.
func (k *keeper) observe(f File, now time.Time) {
	e := k.entries[f.Path]
	if k.started && (e == nil || !e.file.same(f)) {
		k.o.Noticed()
	}
	if e == nil {
		e = &entry{file: f, firstSeen: now, lastChange: now, begun: now}
		k.entries[f.Path], k.open[f.Path], k.dueAt = e, e, time.Time{}
		if !k.started && !k.o.Existing || f.Size > 0 && k.o.Known(f) {
			e.phase, e.again = done, true
			delete(k.open, f.Path)
		}
		return
	}
	if e.file.same(f) {
		return
	}
	if e.file.FileID != f.FileID {
		e.firstSeen = now
		e.begun, e.table, e.askAt = now, false, 0
	}
	if e.phase == done { // it is written anew, or goes on
		e.begun, e.table, e.askAt = now, false, 0
	}
	if e.phase == queued {
		k.queue = slices.DeleteFunc(k.queue, func(l Log) bool { return l.Path == f.Path })
	}
	e.file, e.phase, e.lastChange, e.writer, e.probedAt = f, pending, now, WriterUnknown, time.Time{}
	k.open[f.Path], k.dueAt = e, time.Time{}
}

// forget drops a log that is no longer there. Only one that was not complete is worth a
// word, and not when it merely got another name.
func (k *keeper) forget(path string) {
	e := k.entries[path]
	delete(k.entries, path)
	delete(k.open, path)
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
	k.trouble(path, ErrVanished, "nothing was stored of it; repeat the pass if it was not meant to be deleted")
}

// forgetBelow drops all logs and watches below a folder that is gone.
func (k *keeper) forgetBelow(folder string) {
	below := folder + string(filepath.Separator)
	for path := range k.watched {
		if path == folder || strings.HasPrefix(path, below) {
			delete(k.watched, path)
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
		Folder: k.o.Folder, Missing: k.missing, Polling: k.polling(), Folders: len(k.watched),
		Pending: len(k.open), Queued: len(k.queue), Handed: k.handed,
	}
	for _, e := range k.open {
		if e.lastChange.Sub(e.begun) < time.Second || !k.table(e) {
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
