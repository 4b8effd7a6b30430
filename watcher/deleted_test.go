package watcher

import (
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

func TestVanishesBeforeItIsComplete(t *testing.T) {
	for name, told := range map[string]bool{"with an event": true, "without": false} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLab(t, t.TempDir())
				l.run()
				p := l.played("a.csv", text)
				l.pass(time.Second)
				if err := os.Remove(p); err != nil {
					t.Fatal(err)
				}
				if told {
					l.event(p, fsnotify.Remove)
				}
				l.pass(time.Hour)
				l.wantNothing()
				if n := l.count(ErrVanished); n != 1 {
					t.Errorf("told %d times: %v", n, l.heard())
				}
			})
		})
	}
}

func TestDeletedAfterwardsIsNoTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		p := l.played("a.csv", text)
		l.pass(2 * time.Second)
		l.want("a.csv")
		if err := os.Remove(p); err != nil {
			t.Fatal(err)
		}
		l.event(p, fsnotify.Remove)
		l.pass(time.Second)
		if x := l.heard(); len(x) != 0 {
			t.Errorf("troubles: %v", x)
		}
		l.played("a.csv", text) // the name is used again
		l.pass(3 * time.Second)
		if got := l.want("a.csv"); got.Again {
			t.Error("another file under an old name counts as the old one")
		}
	})
}
