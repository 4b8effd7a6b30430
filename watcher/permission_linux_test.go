package watcher

import (
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// asNobody runs fn with the file rights of an ordinary user, also for root.
func asNobody(t *testing.T, fn func()) {
	t.Helper()
	if os.Getuid() != 0 {
		fn()
		return
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		runtime.LockOSThread() // and never unlocked: the thread ends with its changed rights
		if err := syscall.Setfsuid(65534); err != nil {
			t.Errorf("give up root's rights: %v", err)
			return
		}
		fn()
	}()
	<-ended
}

func TestFolderWithoutPermission(t *testing.T) {
	l := newLab(t, t.TempDir())
	l.put("open/a.csv", text)
	l.put("closed/b.csv", text)
	for _, d := range []string{filepath.Dir(l.dir), l.dir} {
		if err := os.Chmod(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(l.path("closed"), 0); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Chmod(l.path("closed"), 0o755) })
	k := newKeeper(l.w.o)
	at := t0
	asNobody(t, func() {
		for range 3 {
			k.scan(at)
			at = at.Add(30 * time.Second)
		}
	})
	if n := l.count(os.ErrPermission); n != 1 || l.heard()[0].Path != l.path("closed") {
		t.Fatalf("troubles: %v", l.heard())
	}
	if len(k.entries) != 1 || k.entries[l.path("open/a.csv")] == nil {
		t.Fatalf("entries: %v", k.entries)
	}
	if err := os.Chmod(l.path("closed"), 0o755); err != nil {
		t.Fatal(err)
	}
	asNobody(t, func() { k.scan(at) })
	if len(k.entries) != 2 {
		t.Fatalf("entries after the mend: %v", k.entries)
	}
}

func TestProbeOfARefusedLog(t *testing.T) {
	path := t.TempDir() + "/a.csv"
	if err := os.WriteFile(path, []byte(text), 0o200); err != nil {
		t.Fatal(err)
	}
	asNobody(t, func() {
		if got := probeWriter(path); got != WriterRefused {
			t.Errorf("writer %v, want refused", got)
		}
	})
}

func TestLogWithoutPermission(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var allowed atomic.Bool
		l := newLab(t, t.TempDir(), func(o *Options) {
			o.testProbe = func(string) Writer {
				if allowed.Load() {
					return WriterNone
				}
				return WriterRefused
			}
		})
		l.run()
		l.played("a.csv", text)
		l.pass(time.Hour)
		l.wantNothing()
		if n := l.count(os.ErrPermission); n != 1 {
			t.Errorf("told %d times: %v", n, l.heard())
		}
		allowed.Store(true)
		l.pass(31 * time.Second)
		l.want("a.csv")
	})
}
