package watcher

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"testing/synctest"
	"time"
)

func TestFolderIsMissingAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, filepath.Join(t.TempDir(), "not", "yet"), func(o *Options) { o.Existing = false })
		l.run()
		l.pass(time.Minute)
		if n := l.count(ErrMissing); n != 1 {
			t.Errorf("told %d times: %v", n, l.heard())
		}
		if !l.w.State().Missing {
			t.Error("the state does not say that the folder is missing")
		}
		l.put("a.csv", text)
		l.pass(8 * time.Second)
		l.want("a.csv")
		if l.w.State().Missing {
			t.Error("the state says that the folder is missing")
		}
	})
}

func TestFolderRemovedAndMadeAgain(t *testing.T) {
	l := newLab(t, filepath.Join(t.TempDir(), "logs"), live, func(o *Options) { o.Rescan = 200 * time.Millisecond })
	if err := os.Mkdir(l.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	l.start()
	l.until("watching", watching)
	l.put("a.csv", text)
	l.await("a.csv")
	if err := os.RemoveAll(l.dir); err != nil {
		t.Fatal(err)
	}
	l.until("missing", func(s State) bool { return s.Missing })
	l.put("b.csv", text)
	l.await("b.csv")
	l.put("c.csv", text) // events come again
	l.await("c.csv")
}

// Replaced so fast that nobody saw it missing; the new folder may even have the old one's
// identity. Only events can help within the test's time: the next scan is an hour away.
func TestFolderReplacedAtOnce(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a watched folder stays in place until the watch is gone")
	}
	for _, sub := range []string{"", "game"} {
		t.Run("folder "+sub, func(t *testing.T) {
			l := newLab(t, filepath.Join(t.TempDir(), "logs"), live, func(o *Options) { o.Rescan = time.Hour })
			folder := filepath.Join(l.dir, sub)
			if err := os.MkdirAll(folder, 0o755); err != nil {
				t.Fatal(err)
			}
			l.start()
			l.until("watching", watching)
			for i := range 5 {
				if err := os.RemoveAll(folder); err != nil {
					t.Fatal(err)
				}
				if err := os.MkdirAll(folder, 0o755); err != nil {
					t.Fatal(err)
				}
				name := filepath.ToSlash(filepath.Join(sub, string(rune('a'+i))+".csv"))
				l.put(name, text)
				l.await(name)
			}
		})
	}
}
