package watcher

import (
	"os"
	"path/filepath"
	"time"
)

// Every event wakes the agent, and a logger that flushes its log a few times a second
// causes as many, just while a pass runs. So the events of a folder are heard only while
// nothing is written in it. From the first write, or the first log that is not complete,
// the folder is calm: its watch is gone; names that appear in it, change or go are still
// told (by [names], where the system can, else by the folder's own time of change), and
// the logs in it that are not complete are looked at by time, once a second, however
// often they are written. When all are complete the watch comes back.

const (
	// lookEvery is the time between two looks at what is not complete.
	lookEvery = time.Second
	// early is how much sooner a look comes along with something else that the agent is
	// awake for: one wake-up serves both.
	early = 400 * time.Millisecond
	// patience is for how long a look waits for the next beat where beats come. It is long
	// since setting a timer of the Go runtime anew does not spare the wake-up at the old
	// time.
	patience = 10 * time.Second
)

// calm is what is known of a folder without a watch.
type calm struct {
	heard  bool      // its names are told
	stamp  time.Time // else its time of change at the latest look
	since  time.Time
	until  time.Time // it stays calm until then
	pause  time.Duration
	logged bool // a log of it was not complete meanwhile
}

// unrest is a folder in which something other than logs was written.
type unrest struct {
	pause  time.Duration // how long it was left calm for it
	rested time.Time
}

// quieten takes the watch of a folder away. One that was quietened for nothing but other
// files just before stays calm twice as long.
func (k *keeper) quieten(folder string, now time.Time) {
	if _, watched := k.watched[folder]; !watched {
		return
	}
	c := &calm{since: now, pause: k.rules.quiet}
	if u, ok := k.restless[folder]; ok && now.Sub(u.rested) <= u.pause {
		c.pause = min(2*u.pause, max(k.o.Rescan, u.pause))
	}
	c.until = now.Add(c.pause)
	if c.heard = k.listen(folder); !c.heard {
		c.stamp, _ = changed(folder)
	}
	_ = k.source.Remove(folder) // the library may have dropped it already
	delete(k.watched, folder)
	k.calm[folder] = c
	if k.attendAt.IsZero() {
		k.attendAt = now.Add(lookEvery)
	}
}

// listen asks for the names in a folder and reports whether they are told.
func (k *keeper) listen(folder string) bool {
	if k.names == nil && !k.nameless {
		if n, err := k.o.testNames(); err == nil {
			k.names = n
		}
		k.nameless = k.names == nil
	}
	return k.names != nil && k.names.Add(folder) == nil
}

func (k *keeper) closeNames() {
	if k.names != nil {
		k.names.Close()
	}
	k.names, k.nameless = nil, false
	k.attendAt = time.Time{}
	clear(k.calm)
	clear(k.restless)
	for _, e := range k.open {
		e.awaited = false
	}
}

func (k *keeper) namesHeard() <-chan happening {
	if k.names == nil {
		return nil
	}
	return k.names.Events()
}

// happened takes in what was told of a calm folder.
func (k *keeper) happened(h happening, now time.Time) {
	switch {
	case h.err != nil:
		k.eventsFailed(h.err, true)
	case h.gone:
		// A folder made again under the name can have the same identity, so that what was
		// asked for of the old one must go whatever is found there.
		k.names.Remove(h.path)
		delete(k.calm, h.path)
		k.scanNow = true
	case h.closed:
		k.closed(h.path, now)
	default:
		k.note(h.path, now)
	}
}

// closed looks at a log that a program has closed, under whatever names it has.
func (k *keeper) closed(path string, now time.Time) {
	e := k.entries[path]
	if e == nil {
		return
	}
	id := e.file.FileID
	for path, e := range k.open {
		if e.file.FileID == id && e.awaited {
			e.awaited = false
			if k.refresh(path, now) && e.phase == pending {
				e.shut = true
				k.ask(e, now)
			}
			k.dueAt = time.Time{}
		}
	}
}

// attend looks at the logs of the calm folders, and whether folders may have their watch
// back: while any log is being written none has.
func (k *keeper) attend(now time.Time) {
	last := k.attended
	k.attended = now
	waits := false
	for path, e := range k.open {
		c := k.calm[filepath.Dir(path)]
		if c == nil {
			continue
		}
		since := last
		if c.since.After(since) {
			since = c.since
		}
		if !k.peek(path, since, now) || e.phase != pending {
			continue
		}
		c.logged = true
		waits = waits || e.writer != WriterRefused
		k.learn(e, now)
	}
	k.attendAt, k.dueAt = time.Time{}, time.Time{}
	for folder, c := range k.calm {
		if !c.heard {
			if stamp, ok := changed(folder); !ok || !stamp.Equal(c.stamp) {
				c.stamp = stamp
				k.walk(folder, now, map[string]bool{})
			}
		}
		if !waits && !now.Before(c.until) {
			k.rest(folder, c, now)
		}
	}
	if len(k.calm) > 0 {
		k.attendAt = now.Add(lookEvery)
	}
}

// rest gives a folder its watch back. What was written to logs that were complete was not
// told: the folder is read, unless nothing but other files was written and the next
// routine scan is soon enough.
func (k *keeper) rest(folder string, c *calm, now time.Time) {
	delete(k.calm, folder)
	if c.logged || !c.heard {
		delete(k.restless, folder)
		k.walk(folder, now, map[string]bool{})
	} else {
		k.restless[folder] = unrest{c.pause, now}
		k.watchFolder(folder, identity(folder), now)
	}
	if c.heard && k.names != nil {
		k.names.Remove(folder)
	}
}

// peek looks at one log whose folder is calm and reports whether it is there. It changed
// at some time since the last look: its own time of change tells when, if it lies between
// the looks; a wrong clock cannot move it out of there.
func (k *keeper) peek(path string, last, now time.Time) bool {
	f, err := k.glance(path)
	if err != nil {
		return k.refresh(path, now)
	}
	if k.entries[path].file.same(f) {
		return true
	}
	at := now
	if !k.remote && f.ModTime.After(last) && f.ModTime.Before(now) {
		at = f.ModTime
	}
	k.observe(f, at)
	return true
}

// learn finds out whether a log's logger holds it open all along. Each look that finds it
// open counts, until one finds it closed; where the system tells when it is closed, it
// need not be asked again.
func (k *keeper) learn(e *entry, now time.Time) {
	switch {
	case e.phase != pending || e.patient || e.shut || k.patient[filepath.Dir(e.file.Path)]:
	case e.awaited:
		e.hold(now)
	case k.ask(e, now) == WriterOpen && !e.patient && k.await(e):
		k.ask(e, now) // it may have been closed in between
	}
}

// await asks to be told when a log is closed.
func (k *keeper) await(e *entry) bool {
	if c := k.calm[filepath.Dir(e.file.Path)]; c == nil || !c.heard || k.names == nil {
		return false
	}
	e.awaited = k.names.Await(e.file.Path) == nil
	return e.awaited
}

// ask probes a log before its time. That this user may not read it is no news yet.
func (k *keeper) ask(e *entry, now time.Time) Writer {
	w := k.o.testProbe(e.file.Path)
	if w == WriterRefused {
		return w
	}
	before := e.file
	if w == WriterNone && (!k.refresh(e.file.Path, now) || e.phase != pending || !e.file.same(before)) {
		return w // its last bytes came after the look before: the next look tells more
	}
	e.seen(w, now)
	e.writer, e.probedAt, k.dueAt = w, now, time.Time{}
	return w
}

// changed returns a folder's own time of change.
func changed(folder string) (time.Time, bool) {
	info, err := os.Stat(folder)
	if err != nil {
		return time.Time{}, false
	}
	return info.ModTime(), true
}

func identity(folder string) string {
	info, err := os.Stat(folder)
	if err != nil {
		return ""
	}
	return fileID(folder, info)
}
