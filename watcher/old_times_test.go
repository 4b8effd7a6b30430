package watcher

import (
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

// A copy may carry the original's old time of change, or one in the future. Neither says
// anything about being complete.
func TestCopiedWithItsTimes(t *testing.T) {
	for name, mod := range map[string]time.Time{"old": time.Unix(0, 0), "future": time.Date(2090, 1, 1, 0, 0, 0, 0, time.UTC)} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLab(t, t.TempDir())
				l.run()
				p := l.played("a.csv", text)
				if err := os.Chtimes(p, mod, mod); err != nil {
					t.Fatal(err)
				}
				l.event(p, fsnotify.Chmod)
				l.pass(2*time.Second - time.Millisecond)
				l.wantNothing()
				l.pass(time.Millisecond)
				if got := l.want("a.csv"); !got.ModTime.Equal(mod) {
					t.Errorf("time of change %v, want %v", got.ModTime, mod)
				}
			})
		})
	}
}
