package watcher

import (
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

func TestIgnored(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir(), func(o *Options) { o.Patterns = []string{"*.csv", "*~", "*.tmp"} })
		l.run()
		for _, name := range []string{".a.csv", "~a.csv", "a.csv~", "a.tmp", "A.TMP", "a.db", ".hidden/a.csv", "x.part/a.csv"} {
			l.played(name, text)
		}
		l.event(filepath.Join(l.dir, "..", filepath.Base(l.dir)+"x.csv"), fsnotify.Create)
		l.pass(time.Minute)
		l.wantNothing()
		l.played("UPPER.CSV", text)
		l.pass(2 * time.Second)
		l.want("UPPER.CSV")
	})
}

// Links can lead in circles, out of the folder or to devices that never end.
func TestLinksAreNotFollowed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		outside := filepath.Join(t.TempDir(), "a.csv")
		if err := os.WriteFile(outside, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		for link, target := range map[string]string{"loop": l.dir, "self": "self", "file.csv": outside, "zero.csv": os.DevNull, "out": filepath.Dir(outside)} {
			if err := os.Symlink(target, l.path(link)); err != nil {
				t.Skipf("this user may make no links: %v", err)
			}
		}
		if err := os.Mkdir(l.path("folder.csv"), 0o755); err != nil {
			t.Fatal(err)
		}
		l.run()
		for _, name := range []string{"loop", "file.csv", "zero.csv", "out", "folder.csv"} {
			l.event(l.path(name), fsnotify.Create)
		}
		l.pass(time.Minute)
		l.wantNothing()
	})
}

// The watched folder itself may be a link.
func TestWatchedFolderIsALink(t *testing.T) {
	link := filepath.Join(t.TempDir(), "logs")
	if err := os.Symlink(t.TempDir(), link); err != nil {
		t.Skipf("this user may make no links: %v", err)
	}
	l := newLab(t, link, live)
	l.start()
	l.until("watching", watching)
	l.put("deep/a.csv", text)
	l.await("deep/a.csv")
}
