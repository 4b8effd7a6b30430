package watcher

import (
	"errors"
	"fmt"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

func TestOverflow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		for i := range 50 {
			l.put(fmt.Sprintf("%02d.csv", i), text) // no event for any of them
		}
		l.source.errs <- fsnotify.ErrEventOverflow
		l.pass(2 * time.Second)
		for i := range 50 {
			l.want(fmt.Sprintf("%02d.csv", i))
		}
		if n := l.count(ErrOverflow); n != 1 {
			t.Errorf("told %d times: %v", n, l.heard())
		}
		if l.source.closed == 0 {
			t.Error("the old watches were kept")
		}
	})
}

// The 20,000 creations of the live case overflow the kernel's queue where nobody reads;
// here somebody does, and not one may be lost either way.
func TestManyFilesLive(t *testing.T) {
	l := newLab(t, t.TempDir(), live)
	l.out = make(chan Log)
	l.start()
	l.until("watching", watching)
	const n = 20000
	for i := range n {
		l.put(fmt.Sprintf("%05d.csv", i), text)
	}
	seen := map[string]bool{}
	deadline := time.After(60 * time.Second)
	for len(seen) < n {
		select {
		case got := <-l.out:
			seen[got.Rel] = true
		case <-deadline:
			t.Fatalf("%d of %d logs by the deadline; %+v", len(seen), n, l.w.State())
		}
	}
}

// No watches are left: polling takes over, said once, and ends when there are some again.
func TestNoWatchesLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		full := true
		l := newLab(t, t.TempDir())
		l.source.add = func(string) error {
			if full {
				return syscall.ENOSPC
			}
			return nil
		}
		l.run()
		l.put("a.csv", text)
		l.pass(4 * time.Second)
		l.want("a.csv")
		l.pass(time.Hour)
		if n := l.count(ErrNoEvents); n != 1 || !errors.Is(l.heard()[0].Err, syscall.ENOSPC) {
			t.Errorf("told %d times: %v", n, l.heard())
		}
		if !l.w.State().Polling {
			t.Error("the state does not say that it polls")
		}
		l.source.mu.Lock()
		full = false
		l.source.mu.Unlock()
		l.pass(11 * time.Minute)
		if l.w.State().Polling {
			t.Error("still polling although there are watches again")
		}
	})
}
