package watcher

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"
)

func TestOptionsAreChecked(t *testing.T) {
	for want, o := range map[string]Options{
		"no folder":   {},
		`"["`:         {Folder: "x", Patterns: []string{"["}},
		"not a time":  {Folder: "x", Quiet: -time.Second},
		"-1s is not ": {Folder: "x", Rescan: -time.Second},
	} {
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("New(%+v) = %v, want an error with %q", o, err, want)
		}
	}
	w, err := New(Options{Folder: "x", Quiet: 20 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	if !filepath.IsAbs(w.o.Folder) || w.o.Latest != 20*time.Minute {
		t.Errorf("folder %q, latest %v", w.o.Folder, w.o.Latest)
	}
}

// BenchmarkEvent is what one event of a logger that writes every frame for itself costs
// while 20,000 old logs lie in the folder.
func BenchmarkEvent(b *testing.B) {
	w, err := New(Options{Folder: b.TempDir()})
	if err != nil {
		b.Fatal(err)
	}
	k := newKeeper(w.o)
	defer k.closeEvents()
	now := time.Now()
	k.step(now)
	for i := range 20000 {
		p := filepath.Join(w.o.Folder, strings.Repeat("x", 8), string(rune(i)))
		k.entries[p] = &entry{file: File{Path: p}, phase: done}
	}
	e := benchEvent(filepath.Join(w.o.Folder, "a.csv"))
	for b.Loop() {
		k.hint(e, true, now)
		k.step(now)
	}
}

func benchEvent(path string) fsnotify.Event { return fsnotify.Event{Name: path, Op: fsnotify.Write} }
