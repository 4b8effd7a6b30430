package watcher

import (
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

// What is complete and not yet taken is counted, besides what is being written.
func TestStateCountsWhatWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.out = make(chan Log) // a receiver that is busy
		for _, name := range []string{"a.csv", "b.csv", "c.csv"} {
			l.put(name, text)
		}
		l.run()
		l.pass(time.Minute)
		if s := l.w.State(); s.Queued != 3 || s.Pending != 0 {
			t.Errorf("%d wait, %d are being written", s.Queued, s.Pending)
		}
		<-l.out
		synctest.Wait()
		if s := l.w.State(); s.Queued != 2 {
			t.Errorf("one was taken and %d wait", s.Queued)
		}
	})
}

// A program that keeps writing what is no log does not count as a recording. What reads as
// a log counts from when it does, and of two the one whose writing began last is named.
func TestWhatIsNoLogIsNotRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		asked := map[string]int{}
		l := newLab(t, t.TempDir(), func(o *Options) {
			o.Patterns = nil
			o.Table = func(path string) bool {
				asked[path]++
				data, err := os.ReadFile(path)
				return err == nil && len(data) > 2*len(text) && string(data[:len(text)]) == text
			}
		})
		l.run()
		console, first, second := l.played("console.log", "chatter\n"), l.played("a.csv", text), ""
		f, a := l.open("console.log", os.O_APPEND|os.O_WRONLY), l.open("a.csv", os.O_APPEND|os.O_WRONLY)
		defer f.Close()
		defer a.Close()
		grow := func(f *os.File, path, line string) {
			l.appendTo(f, line)
			l.event(path, fsnotify.Write)
		}
		for range 20 {
			l.pass(500 * time.Millisecond)
			grow(f, console, "chatter\n")
		}
		if s := l.w.State(); s.Holder != "" || !s.Recording.IsZero() {
			t.Errorf("chatter counts as a recording: %+v", s)
		}
		if n := asked[console]; n > 6 {
			t.Errorf("the chatter was looked at %d times", n)
		}
		began := time.Now()
		for range 8 {
			l.pass(500 * time.Millisecond)
			grow(a, first, text)
		}
		if s := l.w.State(); s.Holder != first || s.Recording.Before(began) {
			t.Errorf("what is being recorded: %+v", s)
		}
		second = l.played("b.csv", text+text+text)
		b := l.open("b.csv", os.O_APPEND|os.O_WRONLY)
		defer b.Close()
		for range 4 {
			l.pass(500 * time.Millisecond)
			grow(b, second, text)
			grow(a, first, text)
		}
		if s := l.w.State(); s.Holder != second || !s.HolderSince.After(began) {
			t.Errorf("of two: %+v", s)
		}
	})
}
