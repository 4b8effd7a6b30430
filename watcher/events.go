package watcher

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"github.com/fsnotify/fsnotify"
)

// source is where hints come from.
type source interface {
	Add(folder string) error
	Remove(folder string) error
	Close() error
	Events() <-chan fsnotify.Event
	Errors() <-chan error
}

type fsEvents struct{ w *fsnotify.Watcher }

func newEvents() (source, error) {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	return fsEvents{w}, nil
}

func (s fsEvents) Add(folder string) error       { return s.w.Add(folder) }
func (s fsEvents) Remove(folder string) error    { return s.w.Remove(folder) }
func (s fsEvents) Close() error                  { return s.w.Close() }
func (s fsEvents) Events() <-chan fsnotify.Event { return s.w.Events }
func (s fsEvents) Errors() <-chan error          { return s.w.Errors }

const (
	// gather is how long hints are collected before the files are looked at: a thousand
	// logs that are copied in must not cost a look each.
	gather = 250 * time.Millisecond
	// retry is how long to do without events after the system refused them.
	retry = 10 * time.Minute
	// poll is the time between scans where there are no events.
	poll = 2 * time.Second
	// absent is the time between looks for a folder that does not exist.
	absent = time.Second
)

func (k *keeper) events() <-chan fsnotify.Event {
	if k.source == nil {
		return nil
	}
	return k.source.Events()
}

func (k *keeper) errors() <-chan error {
	if k.source == nil {
		return nil
	}
	return k.source.Errors()
}

// hint notes that something happened at a path; it is looked at in the next step.
func (k *keeper) hint(e fsnotify.Event, ok bool, now time.Time) {
	if !ok {
		k.eventsFailed(errors.New("the source of events ended"), false)
		return
	}
	k.note(k.o.testLong(e.Name), now)
	if e.Has(fsnotify.Write) {
		k.quieten(filepath.Dir(e.Name), now)
	}
	if _, ok := k.watched[e.Name]; ok && e.Has(fsnotify.Remove|fsnotify.Rename) {
		// The system stopped watching it. A folder made again under the name can have
		// the same identity, so the old watch must go whatever is found there.
		delete(k.watched, e.Name)
		_ = k.source.Remove(e.Name) // the library may have dropped it already
		k.scanNow = true
	}
}

// note has a path looked at in one of the next steps.
func (k *keeper) note(path string, now time.Time) {
	if len(k.hints) == 0 {
		k.lookAt = now.Add(gather)
	}
	k.hints[path] = now
}

// eventsFailed starts again from nothing: after any error the library's list of watched
// folders cannot be trusted.
func (k *keeper) eventsFailed(err error, ok bool) {
	if ok && errors.Is(err, fsnotify.ErrEventOverflow) {
		err = ErrOverflow
	}
	k.trouble(k.o.Folder, err, "nothing is lost: the agent scans the folder again")
	k.closeEvents()
	k.scanNow = true
}

// openEvents asks the system for events unless it refused a short while ago.
func (k *keeper) openEvents(now time.Time) {
	if k.source != nil || now.Before(k.retryAt) {
		return
	}
	s, err := k.o.testEvents()
	if err != nil {
		k.refused(err, now)
		return
	}
	k.source = s
}

// refused goes on by polling.
func (k *keeper) refused(err error, now time.Time) {
	k.closeEvents()
	k.retryAt = now.Add(retry)
	if k.saidPolling {
		return
	}
	k.saidPolling = true
	k.trouble(k.o.Folder, fmt.Errorf("%w: %w", ErrNoEvents, err),
		"the agent scans the folder every 2 s instead; "+limitHint)
}

func (k *keeper) closeEvents() {
	if k.source != nil {
		_ = k.source.Close() // nothing is left to be done with it
	}
	k.source = nil
	clear(k.watched)
	clear(k.hints)
	k.closeNames()
}

// watchFolder makes sure that events come for a folder. A folder that was replaced by
// another one of the same name is added anew.
func (k *keeper) watchFolder(folder, id string, now time.Time) {
	if k.calm[folder] != nil || k.source == nil {
		return
	}
	if old, ok := k.watched[folder]; ok {
		if old == id {
			return
		}
		_ = k.source.Remove(folder) // the library may have dropped it already
	}
	switch err := k.source.Add(folder); {
	case err == nil:
		k.watched[folder] = id
	case vanished(err):
	case noRoom(err):
		k.refused(err, now)
	default:
		k.troubleOnce(folder, err, "let this user read the folder; the agent tries again every 30 s")
	}
}
