package watcher

import (
	"path/filepath"
	"time"
)

// A logger that writes every frame for itself causes hundreds of events a second, each of
// which wakes the agent while a pass runs. Such a folder is muted: its watch is taken
// away, and the logs in it that are not complete are asked for once a second until none
// of them has changed. Then the watch comes back and the folder is read.
const (
	loud   = 8           // writes to one log within [gather] that mute its folder
	listen = time.Second // between two looks into a muted folder
)

// quieten mutes the folders of loud logs.
func (k *keeper) quieten(now time.Time) {
	for path, writes := range k.writes {
		folder := filepath.Dir(path)
		_, watched := k.watched[folder]
		if writes < loud || !watched || k.open[path] == nil {
			continue
		}
		_ = k.source.Remove(folder) // at worst it stays loud
		delete(k.watched, folder)
		k.muted[folder] = now
	}
	clear(k.writes)
}

// attend looks into the muted folders that are due and returns when it wants to be called
// again; zero: when there are others.
func (k *keeper) attend(now time.Time) (next time.Time) {
	for folder, last := range k.muted {
		at := last.Add(listen)
		if !now.Before(at) {
			if !k.stirs(folder, last, now) {
				delete(k.muted, folder)
				k.walk(folder, now, map[string]bool{})
				continue
			}
			k.muted[folder] = now
			at = now.Add(listen)
		}
		if next.IsZero() || at.Before(next) {
			next = at
		}
	}
	return next
}

// stirs reports whether any log of the folder that is not complete has changed since the
// last look.
func (k *keeper) stirs(folder string, last, now time.Time) bool {
	changed := false
	for path, e := range k.open {
		if filepath.Dir(path) != folder {
			continue
		}
		before := e.file
		if !k.refresh(path, now) || e.file.same(before) {
			continue
		}
		changed = true
		// The log changed at some time since the last look. Its own time of change tells
		// when, if it lies between the looks; a wrong clock cannot move it out of there.
		if m := e.file.ModTime; !k.remote && m.After(last) && m.Before(now) {
			e.lastChange = m
		}
	}
	return changed
}
