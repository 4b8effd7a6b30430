package watcher

import (
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

func TestGrowsLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		l.played("a.csv", text)
		l.pass(2 * time.Second)
		first := l.want("a.csv")
		l.pass(time.Minute)
		f := l.open("a.csv", os.O_WRONLY|os.O_APPEND)
		l.appendTo(f, "12.0\n")
		f.Close()
		l.pass(2 * time.Second)
		got := l.want("a.csv")
		if !got.Again || got.Size != first.Size+5 || !got.FirstSeen.Equal(first.FirstSeen) {
			t.Errorf("got %+v after %+v", got, first)
		}
	})
}

func TestTruncatedAndWrittenAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		p := l.played("a.csv", text+text)
		l.pass(time.Second)
		if err := os.Truncate(p, 0); err != nil {
			t.Fatal(err)
		}
		l.event(p, fsnotify.Write)
		l.pass(1500 * time.Millisecond)
		l.wantNothing()
		l.played("a.csv", text)
		l.pass(2 * time.Second)
		if got := l.want("a.csv"); got.Size != int64(len(text)) || got.Again {
			t.Errorf("got %+v", got)
		}
	})
}

// Without any event a change is found by the next scan.
func TestChangedUnnoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		l.put("a.csv", text)
		l.pass(32 * time.Second)
		l.want("a.csv")
	})
}

// A log that changes while the receiver is busy is held back.
func TestChangedInTheQueue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.out = make(chan Log) // nobody receives yet
		l.run()
		l.played("a.csv", text)
		l.pass(2500 * time.Millisecond)
		l.played("a.csv", text+text)
		l.pass(time.Second)
		l.wantNothing()
		l.pass(time.Second)
		if got := l.want("a.csv"); got.Size != int64(2*len(text)) {
			t.Errorf("%d bytes, want the new ones", got.Size)
		}
		l.wantNothing()
	})
}

// TestNoticed: whoever wants to know hears of new and changed logs at once, and not of
// those that were there before.
func TestNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "old.csv"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l := newLab(t, dir)
		var heard atomic.Int32
		l.w.o.Noticed = func() { heard.Add(1) }
		l.run()
		l.pass(10 * time.Second)
		if n := heard.Load(); n != 0 {
			t.Errorf("%d times told of what was there", n)
		}
		l.played("a.csv", text)
		l.pass(time.Second)
		if n := heard.Load(); n != 1 {
			t.Errorf("told %d times of one new log", n)
		}
	})
}

// TestTurned: whoever watches hears that a log appeared and that it was handed on, and nothing
// of its growing in between.
func TestTurned(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		var heard atomic.Int32
		l.w.o.Turned = func() { heard.Add(1) }
		l.run()
		l.pass(10 * time.Second)
		before := heard.Load()
		for range 20 {
			l.played("a.csv", text)
			l.pass(time.Second)
		}
		if n := heard.Load() - before; n < 1 || n > 3 { // it appeared, and then counts as being recorded
			t.Errorf("told %d times of one log that grows", n)
		}
		before = heard.Load()
		l.pass(time.Minute)
		if n := heard.Load() - before; n < 1 {
			t.Error("not told of its end")
		}
	})
}
