package watcher

import (
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

// A logger that writes every frame for itself must not wake the agent for every frame.
func TestLoudLoggerIsMuted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		f := l.open("a.csv", os.O_CREATE|os.O_WRONLY)
		for range 20 {
			l.appendTo(f, "10.0\n")
		}
		l.pass(time.Second)
		if n := len(l.source.removed); n != 1 {
			t.Fatalf("the watch was taken away %d times", n)
		}
		other := l.put("b.csv", text) // without an event, as from a muted folder
		for range 60 {
			if _, err := f.WriteString("10.0\n"); err != nil {
				t.Fatal(err)
			}
			l.pass(700 * time.Millisecond)
			l.wantNothing()
		}
		f.Close()
		l.pass(3 * time.Second)
		if got := l.want("a.csv"); got.Size != 400 {
			t.Errorf("%d bytes, want 400", got.Size)
		}
		if n := len(l.source.added); n != 2 {
			t.Errorf("the folder was watched %d times, want again after the pass", n)
		}
		l.event(other, fsnotify.Chmod)
		l.pass(2 * time.Second)
		l.want("b.csv")
	})
}

func TestMutedFolderIsRemoved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		l.put("sub/a.csv", text)
		l.event(l.path("sub"), fsnotify.Create)
		l.pass(time.Second)
		for range 20 {
			l.event(l.path("sub/a.csv"), fsnotify.Write)
		}
		l.pass(500 * time.Millisecond)
		if err := os.RemoveAll(l.path("sub")); err != nil {
			t.Fatal(err)
		}
		l.pass(2 * time.Second)
		if n := l.count(ErrVanished); n != 1 {
			t.Errorf("told %d times: %v", n, l.heard())
		}
		l.put("sub/a.csv", text)
		l.event(l.path("sub"), fsnotify.Create)
		l.pass(3 * time.Second)
		l.want("sub/a.csv")
	})
}

func TestLoudLoggerLive(t *testing.T) {
	l := newLab(t, t.TempDir(), live, func(o *Options) { o.Quiet = 1500 * time.Millisecond })
	l.start()
	l.until("watching", watching)
	f, err := os.Create(l.path("a.csv"))
	if err != nil {
		t.Fatal(err)
	}
	tick := time.NewTicker(2 * time.Millisecond)
	for range 1500 {
		if _, err := f.WriteString("10.0\n"); err != nil {
			t.Fatal(err)
		}
		<-tick.C
	}
	tick.Stop()
	f.Close()
	if got := l.await("a.csv"); got.Size != 7500 {
		t.Errorf("%d bytes, want 7500", got.Size)
	}
	l.until("watching again", watching)
	l.put("b.csv", text)
	l.await("b.csv")
}
