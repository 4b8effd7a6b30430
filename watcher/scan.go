package watcher

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// scan compares the folder with what is known of it and watches what is new in it.
func (k *keeper) scan(now time.Time) {
	k.lastly, k.scanNow = now, false
	defer func() { k.scanAt = now.Add(k.interval()) }()
	info, err := os.Stat(k.o.Folder)
	if err != nil || !info.IsDir() {
		k.noFolder(err)
		return
	}
	if k.missing || !k.started {
		k.found()
	}
	k.openEvents(now)
	clear(k.stamps)
	seen := map[string]bool{}
	complete := k.walk(k.o.Folder, now, seen)
	for path := range k.entries {
		if !seen[path] && (complete || gone(path)) {
			k.forget(path)
		}
	}
	k.started = true
}

func (k *keeper) noFolder(err error) {
	if err == nil {
		err = ErrMissing // a file of that name is not the folder
	} else if vanished(err) {
		err = ErrMissing
	}
	k.troubleOnce(k.o.Folder, err, "make the folder or name another one; the agent looks for it every second")
	k.missing, k.started = true, true // what appears in a folder that was not there is new
	k.closeEvents()
	k.forgetBelow(k.o.Folder)
}

// found starts with a folder that is there for the first time or again.
func (k *keeper) found() {
	k.missing = false
	delete(k.told, k.o.Folder)
	k.remote = k.o.testRemote(k.o.Folder)
	k.rules = newRules(k.o.Quiet, k.o.Latest)
	if k.remote {
		k.rules = newRules(max(k.o.Quiet, 5*time.Second), max(k.o.Latest, 5*time.Second))
	}
}

// walk takes in a folder and everything below it, and reports whether it saw all of it.
// Each folder is watched before it is read, so that nothing falls between.
func (k *keeper) walk(folder string, now time.Time, seen map[string]bool) bool {
	if k.polling() {
		k.stamps[folder], _ = changed(folder)
	}
	k.watchFolder(folder, identity(folder), now)
	list, err := os.ReadDir(folder)
	if vanished(err) {
		return true
	}
	if err != nil {
		k.troubleOnce(folder, err, "let this user read the folder; the agent tries again every 30 s")
		return false
	}
	delete(k.told, folder)
	complete := true
	for _, d := range list {
		path := filepath.Join(folder, d.Name())
		switch {
		case d.IsDir() && !ignoredName(d.Name()):
			complete = k.walk(path, now, seen) && complete
		case maybeLog(d.Type()) && k.isLog(d.Name()):
			seen[path] = true
			k.takeIn(path, d, now)
		}
	}
	return complete
}

// takeIn looks at one log found by a scan. A log that is still open is asked for itself:
// on Windows a folder's list shows the size that an open file had when it was opened.
func (k *keeper) takeIn(path string, d fs.DirEntry, now time.Time) {
	e := k.entries[path]
	if e != nil && e.phase == done {
		info, err := d.Info()
		if err != nil || info.Size() == e.file.Size && info.ModTime().Equal(e.file.ModTime) {
			return
		}
	}
	k.refresh(path, now)
}

// refresh looks at one log and reports whether it is there.
func (k *keeper) refresh(path string, now time.Time) bool {
	info, is, err := k.o.testLook(path)
	if err != nil || is == other {
		if vanished(err) || err == nil {
			k.forget(path)
		}
		return false
	}
	k.takeKind(path, info, is, now)
	return k.entries[path] != nil
}

// takeKind has a log observed. One whose content would have to be fetched is let be, unless it
// was seen while it was here, or is stored: fetching may take long, and nobody asked for it.
func (k *keeper) takeKind(path string, info fs.FileInfo, is kind, now time.Time) {
	f := k.file(path, info)
	if is == away && k.entries[path] == nil && (k.started || k.o.Existing) && !k.o.Known(f) {
		if folder := filepath.Dir(path); !k.away[folder] {
			k.away[folder] = true
			k.trouble(path, ErrAway, awayHint)
		}
		return
	}
	k.observe(f, now)
}

func (k *keeper) file(path string, info fs.FileInfo) File {
	rel, err := filepath.Rel(k.o.Folder, path)
	if err != nil {
		rel = filepath.Base(path)
	}
	return File{Path: path, Rel: rel, Size: info.Size(), ModTime: info.ModTime(), FileID: fileID(path, info)}
}

// look follows up the hints: what is there first, what is gone after it, so that a log
// that was renamed is known under its new name before the old one is forgotten.
func (k *keeper) look(now time.Time) {
	var lost []string
	hints := k.hints
	k.hints = map[string]time.Time{}
	for path, at := range hints {
		info, is, err := k.o.testLook(path)
		switch {
		case vanished(err):
			lost = append(lost, path)
		case err != nil:
		case info.IsDir() && path != k.o.Folder && !k.ignored(path):
			k.walk(path, now, map[string]bool{})
		case is == other || !k.isLog(info.Name()) || k.ignored(path):
		default:
			k.takeKind(path, info, is, at)
		}
	}
	for _, path := range lost {
		if path == k.o.Folder {
			continue
		}
		k.forgetBelow(path)
		if k.entries[path] != nil {
			k.forget(path)
		}
	}
}

// isLog reports whether a name is that of a log.
func (k *keeper) isLog(name string) bool {
	if ignoredName(name) {
		return false
	}
	if len(k.o.Patterns) == 0 {
		return true
	}
	name = strings.ToLower(name)
	for _, p := range k.o.Patterns {
		if ok, err := filepath.Match(p, name); err == nil && ok {
			return true
		}
	}
	return false
}

// ignored reports whether any part of the path below the folder is to be ignored, or the
// path does not lie below it.
func (k *keeper) ignored(path string) bool {
	rel, err := filepath.Rel(k.o.Folder, path)
	if err != nil || !filepath.IsLocal(rel) {
		return true
	}
	for part := range strings.SplitSeq(rel, string(filepath.Separator)) {
		if ignoredName(part) {
			return true
		}
	}
	return false
}

// Endings of files that are not finished yet: editors, copying programs and browsers
// give them (common practice, no source).
var unfinished = []string{"~", ".tmp", ".temp", ".part", ".partial", ".filepart", ".crdownload", ".swp", ".lock"}

func ignoredName(name string) bool {
	if strings.HasPrefix(name, ".") || strings.HasPrefix(name, "~") {
		return true
	}
	name = strings.ToLower(name)
	for _, end := range unfinished {
		if strings.HasSuffix(name, end) {
			return true
		}
	}
	return false
}

func gone(path string) bool {
	_, err := os.Lstat(path)
	return vanished(err)
}
