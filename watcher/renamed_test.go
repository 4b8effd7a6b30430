package watcher

import (
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

// A renamed log gives one CREATE and never a WRITE.
func TestRenamedIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		l.played("a.csv.tmp", text)
		if err := os.Rename(l.path("a.csv.tmp"), l.path("a.csv")); err != nil {
			t.Fatal(err)
		}
		l.event(l.path("a.csv.tmp"), fsnotify.Rename)
		l.event(l.path("a.csv"), fsnotify.Create)
		l.pass(2 * time.Second)
		l.want("a.csv")
		if n := l.count(ErrVanished); n != 0 {
			t.Errorf("the temporary name was missed: %v", l.heard())
		}
	})
}

func TestRenamedWhilePending(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		l.played("a.csv", text)
		l.pass(time.Second)
		if err := os.Rename(l.path("a.csv"), l.path("b.csv")); err != nil {
			t.Fatal(err)
		}
		l.event(l.path("a.csv"), fsnotify.Rename)
		l.event(l.path("b.csv"), fsnotify.Create)
		l.pass(2 * time.Second)
		l.want("b.csv")
		l.wantNothing()
		if n := l.count(ErrVanished); n != 0 {
			t.Errorf("the old name was missed: %v", l.heard())
		}
	})
}

func TestRenamedInLive(t *testing.T) {
	l := newLab(t, t.TempDir(), live)
	l.start()
	l.until("watching", watching)
	outside := t.TempDir() + "/x"
	if err := os.WriteFile(outside, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(outside, l.path("a.csv")); err != nil {
		t.Fatal(err)
	}
	l.await("a.csv")
	if err := os.Link(l.path("a.csv"), l.path("b.csv")); err != nil {
		t.Fatal(err)
	}
	l.await("b.csv")
	// A whole folder moved in gives one event for the folder and none for the log.
	folder := t.TempDir() + "/moved"
	if err := os.MkdirAll(folder+"/deep", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(folder+"/deep/c.csv", []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(folder, l.path("moved")); err != nil {
		t.Fatal(err)
	}
	l.await("moved/deep/c.csv")
}
