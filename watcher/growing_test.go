package watcher

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"

	"capd.example/internal/testlab"
)

// bench drives a watcher by hand on a real folder: time is what the test says, and events
// come where the system would send them.
type bench struct {
	t       *testing.T
	k       *keeper
	now     time.Time
	next    time.Time // when the watcher wants to be called
	wakes   int       // steps that needed a wake-up of their own
	beats   bool      // the process wakes at every whole second anyway
	names   bool      // names are told
	watched map[string]bool
	named   map[string]bool
	awaited map[string]bool
	handed  []Log
}

func newBench(t *testing.T, named, beats bool) *bench {
	b := &bench{t: t, now: t0, names: named, beats: beats, watched: map[string]bool{}, named: map[string]bool{}, awaited: map[string]bool{}}
	w, err := New(Options{Folder: t.TempDir(), Patterns: []string{"*.csv"}, Existing: true})
	if err != nil {
		t.Fatal(err)
	}
	w.o.testEvents = func() (source, error) { return benchSource{b}, nil }
	w.o.testNames = func() (names, error) { return benchNames{b}, b.refused() }
	w.o.testRemote = func(string) bool { return false }
	b.k = newKeeper(w.o)
	b.step()
	return b
}

func (b *bench) refused() error {
	if b.names {
		return nil
	}
	return errors.ErrUnsupported
}

type benchSource struct{ *bench }

func (s benchSource) Add(folder string) error     { s.watched[folder] = true; return nil }
func (s benchSource) Remove(folder string) error  { delete(s.watched, folder); return nil }
func (benchSource) Close() error                  { return nil }
func (benchSource) Events() <-chan fsnotify.Event { return nil }
func (benchSource) Errors() <-chan error          { return nil }

type benchNames struct{ *bench }

func (n benchNames) Add(folder string) error { n.named[folder] = true; return nil }
func (n benchNames) Await(log string) error  { n.awaited[log] = true; return nil }
func (n benchNames) Remove(path string)      { delete(n.named, path); delete(n.awaited, path) }
func (benchNames) Events() <-chan happening  { return nil }
func (benchNames) Close()                    {}
func (b *bench) path(name string) string {
	return filepath.Join(b.k.o.Folder, filepath.FromSlash(name))
}
func (b *bench) since(t time.Time) string { return b.now.Sub(t).String() }
func (b *bench) log(name string) (l Log, n int) {
	for _, h := range b.handed {
		if h.Path == b.path(name) {
			l, n = h, n+1
		}
	}
	return l, n
}

func (b *bench) step() {
	b.next = b.k.step(b.now)
	for len(b.k.queue) > 0 {
		b.handed = append(b.handed, b.k.queue[0])
		b.k.sent(b.k.queue[0])
	}
}

// until lets time go by.
func (b *bench) until(t time.Time) {
	for {
		at, beat := b.next, false
		// A beat comes some milliseconds late, now more, now less.
		second := b.now.Truncate(time.Second).Add(time.Second)
		if second = second.Add(time.Duration(second.Unix()%3) * 5 * time.Millisecond); b.beats && !second.After(at) {
			at, beat = second, true
		}
		if at.After(t) {
			b.now = t
			return
		}
		if at.After(b.now) {
			b.now = at
		}
		if beat {
			b.k.beat(b.now)
		} else {
			b.wakes++
		}
		b.step()
	}
}

func (b *bench) pass(d time.Duration) { b.until(b.now.Add(d)) }

// event is sent where the folder has its watch.
func (b *bench) event(path string, op fsnotify.Op) {
	folder := filepath.Dir(path)
	switch {
	case b.watched[folder]:
		b.k.hint(fsnotify.Event{Name: path, Op: op}, true, b.now)
	case b.named[folder] && !op.Has(fsnotify.Write):
		b.k.happened(happening{path: path}, b.now)
	default:
		return
	}
	b.wakes++
	b.step()
}

func (b *bench) open(name string) *os.File {
	b.t.Helper()
	_, err := os.Stat(b.path(name))
	if err := os.MkdirAll(filepath.Dir(b.path(name)), 0o755); err != nil {
		b.t.Fatal(err)
	}
	f, err2 := os.OpenFile(b.path(name), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644)
	if err2 != nil {
		b.t.Fatal(err2)
	}
	b.t.Cleanup(func() { f.Close() })
	if err != nil {
		b.event(f.Name(), fsnotify.Create)
	}
	return f
}

const row = "10.0\n"

func (b *bench) write(f *os.File) {
	b.t.Helper()
	if _, err := f.WriteString(row); err != nil {
		b.t.Fatal(err)
	}
	b.event(f.Name(), fsnotify.Write)
}

func (b *bench) close(f *os.File) {
	f.Close()
	if b.awaited[f.Name()] {
		delete(b.awaited, f.Name())
		b.k.happened(happening{path: f.Name(), closed: true}, b.now)
		b.wakes++
		b.step()
	}
}

func (b *bench) append(name string) {
	f := b.open(name)
	b.write(f)
	b.close(f)
}

func (b *bench) mkdir(names ...string) {
	for _, name := range names {
		if err := os.Mkdir(b.path(name), 0o755); err != nil {
			b.t.Fatal(err)
		}
	}
	b.k.scanNow = true
	b.step()
}

// However often logs are written, in several folders and beside other files that are, the
// watcher wakes for it no more than once a second, and not at all where the process wakes
// at every second anyway. A log that comes meanwhile is noticed, at once where names are
// told, and all are handed on whole, once.
func TestGrowingAtEveryRate(t *testing.T) {
	needProbe(t)
	const seconds = 30
	for _, rate := range []int{1, 2, 6, 10, 30, 200} {
		for _, how := range []struct{ names, beats bool }{{true, true}, {true, false}, {false, true}, {false, false}} {
			t.Run(fmt.Sprintf("%d a second, names %v, beats %v", rate, how.names, how.beats), func(t *testing.T) {
				b := newBench(t, how.names, how.beats)
				b.mkdir("x", "y")
				began := b.now.Add(300 * time.Millisecond)
				b.until(began)
				files := []*os.File{b.open("x/a.csv"), b.open("x/b.csv"), b.open("y/c.csv"), b.open("x/other.db"), b.open("other.db")}
				for i := range seconds * rate {
					b.until(began.Add(time.Duration(i) * time.Second / time.Duration(rate)))
					for _, f := range files {
						b.write(f)
					}
					if i == seconds*rate/2 {
						b.append("x/new.csv")
						if how.names {
							b.pass(gather)
						} else {
							b.pass(lookEvery + early)
						}
						if b.k.entries[b.path("x/new.csv")] == nil {
							t.Error("a log that came while others grew was not noticed")
						}
					}
				}
				// Starting, five files that appear, one that comes: some wake-ups each.
				most := 25
				if !how.beats {
					most += seconds
					if !how.names { // nor is closing told: the logs are asked for it
						most += seconds
					}
				}
				if b.wakes > most {
					t.Errorf("%d wake-ups in %d seconds, want at most %d", b.wakes, seconds, most)
				}
				for _, f := range files {
					b.close(f)
				}
				b.pass(5 * time.Second)
				for _, name := range []string{"x/a.csv", "x/b.csv", "y/c.csv"} {
					if l, n := b.log(name); n != 1 || l.Size != int64(seconds*rate*len(row)) {
						t.Errorf("%s was handed on %d times, with %d bytes", name, n, l.Size)
					}
				}
				if _, n := b.log("x/new.csv"); n != 1 {
					t.Errorf("the log that came while others grew was handed on %d times", n)
				}
				b.pass(time.Minute)
				for _, folder := range []string{"", "x", "y"} {
					if !b.watched[b.path(folder)] {
						t.Errorf("the folder %q has not got its watch back", folder)
					}
				}
			})
		}
	}
}

// A log that one writer held open all along is complete as soon as it is closed.
func TestHeldAllAlongThenClosed(t *testing.T) {
	needProbe(t)
	for name, how := range map[string]struct {
		names, beats bool
		rows         int // one every 0.2 s
		most         time.Duration
	}{
		"closing is told":             {true, true, 60, 500 * time.Millisecond},
		"closing is told, no beats":   {true, false, 60, 500 * time.Millisecond},
		"closing is not told":         {false, true, 60, 1600 * time.Millisecond},
		"not long enough to tell":     {true, true, 5, 2 * time.Second},
		"written at the end, at once": {true, true, 0, 500 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, how.names, how.beats)
			f := b.open("a.csv")
			for range how.rows {
				b.write(f)
				b.pass(200 * time.Millisecond)
			}
			if how.rows == 0 {
				b.pass(time.Minute)
			}
			b.write(f)
			closed := b.now
			b.close(f)
			b.until(closed.Add(500*time.Millisecond - 1))
			if _, n := b.log("a.csv"); n != 0 {
				t.Error("handed on before half a second")
			}
			b.pass(10 * time.Second)
			l, n := b.log("a.csv")
			if took := l.CompleteAt.Sub(closed); n != 1 || took > how.most || l.Size != int64((how.rows+1)*len(row)) {
				t.Errorf("handed on %d times, %s after it was closed, want %s, with %d bytes", n, took, how.most, l.Size)
			}
		})
	}
}

// A logger that closes its log between two rows, or between two stretches of rows, gives
// one log.
func TestReopened(t *testing.T) {
	needProbe(t)
	for _, names := range []bool{true, false} {
		for _, every := range []time.Duration{100, 400, 900, 1500, 1900} {
			every *= time.Millisecond
			t.Run(fmt.Sprintf("every %s, names %v", every, names), func(t *testing.T) {
				b := newBench(t, names, true)
				b.pass(130 * time.Millisecond)
				rows := int(20 * time.Second / every)
				for range rows {
					b.append("a.csv")
					b.pass(every)
				}
				b.pass(10 * time.Second)
				if l, n := b.log("a.csv"); n != 1 || l.Size != int64(rows*len(row)) {
					t.Errorf("handed on %d times, with %d bytes of %d", n, l.Size, rows*len(row))
				}
				if names && b.wakes > 60 {
					t.Errorf("%d wake-ups", b.wakes)
				}
			})
		}
		t.Run(fmt.Sprintf("stretches of 5 s, names %v", names), func(t *testing.T) {
			b := newBench(t, names, true)
			for i := range 5 {
				f := b.open("a.csv")
				for range 25 {
					b.write(f)
					b.pass(200 * time.Millisecond)
				}
				b.close(f)
				if i == 0 || !names { // what no look could find is not known where closing is not told
					b.pass(300 * time.Millisecond)
				} else {
					b.pass(1800 * time.Millisecond)
				}
			}
			b.pass(10 * time.Second)
			if l, n := b.log("a.csv"); n != 1 || l.Size != int64(125*len(row)) {
				t.Errorf("handed on %d times, with %d bytes", n, l.Size)
			}
		})
	}
}

// A logger that reopens its log after more than half a second of a pass that it held open
// is believed once; from then on the logs of its folder wait for the quiet time.
func TestReopenedLateIsLearnt(t *testing.T) {
	needProbe(t)
	b := newBench(t, true, true)
	record := func(name string) {
		f := b.open(name)
		for range 50 {
			b.write(f)
			b.pass(200 * time.Millisecond)
		}
		b.close(f)
		b.pass(time.Second)
		b.append(name)
		b.pass(10 * time.Second)
	}
	record("a.csv")
	if l, n := b.log("a.csv"); n != 2 || !l.Again || l.Size != int64(51*len(row)) {
		t.Errorf("the first was handed on %d times, with %d bytes", n, l.Size)
	}
	record("b.csv")
	if l, n := b.log("b.csv"); n != 1 || l.Size != int64(51*len(row)) {
		t.Errorf("the second was handed on %d times, with %d bytes", n, l.Size)
	}
}

// A logger that writes the head, closes the log and opens it again after the pass gives
// the head first and then the whole: only the rows make a pass of it.
func TestHeadFirst(t *testing.T) {
	b := newBench(t, true, true)
	b.append("a.csv")
	b.pass(time.Minute)
	f := b.open("a.csv")
	b.write(f)
	b.write(f)
	b.close(f)
	b.pass(10 * time.Second)
	if l, n := b.log("a.csv"); n != 2 || !l.Again || l.Size != int64(3*len(row)) {
		t.Errorf("handed on %d times, with %d bytes", n, l.Size)
	}
}

// Thousands of other files in the folder, one of which is written all the time, are not
// read while a log grows, and without one hardly ever.
func TestManyOtherFiles(t *testing.T) {
	b := newBench(t, true, true)
	others := 1000
	if testlab.Long(t) {
		others = 10000
	}
	for i := range others {
		if err := os.WriteFile(b.path(fmt.Sprintf("%05d.dat", i)), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b.k.scanNow = true
	b.step()
	other := b.open("00000.dat")
	for range 600 {
		b.write(other)
		b.pass(200 * time.Millisecond)
	}
	if b.wakes > 30 {
		t.Errorf("%d wake-ups in two minutes for a file that is no log", b.wakes)
	}
	f := b.open("a.csv")
	b.write(f)
	b.pass(time.Second)
	read, wakes := b.k.lastly, b.wakes
	for range 600 {
		b.write(f)
		b.write(other)
		b.pass(200 * time.Millisecond)
	}
	if !b.k.lastly.Equal(read) || b.wakes > wakes+10 {
		t.Errorf("the folder was read %s ago while a log grew, with %d wake-ups", b.since(b.k.lastly), b.wakes-wakes)
	}
	b.close(f)
	b.pass(5 * time.Second)
	if _, n := b.log("a.csv"); n != 1 {
		t.Errorf("handed on %d times", n)
	}
}

// A calm folder that goes away, or is made again, is no calm folder any more.
func TestCalmFolderIsRemoved(t *testing.T) {
	for _, names := range []bool{true, false} {
		b := newBench(t, names, true)
		b.mkdir("x")
		b.write(b.open("x/a.csv"))
		b.pass(time.Second)
		if err := os.RemoveAll(b.path("x")); err != nil {
			t.Fatal(err)
		}
		if names {
			b.k.happened(happening{path: b.path("x"), gone: true}, b.now)
			b.step()
		}
		b.pass(3 * time.Second)
		if len(b.k.entries) != 0 || b.k.calm[b.path("x")] != nil {
			t.Errorf("names %v: %d logs are still followed", names, len(b.k.entries))
		}
		b.mkdir("x")
		b.append("x/a.csv")
		b.pass(5 * time.Second)
		if _, n := b.log("x/a.csv"); n != 1 {
			t.Errorf("names %v: the log of the new folder was handed on %d times", names, n)
		}
	}
}

// A log that was complete and is written again while another one grows is not forgotten.
func TestWrittenAgainWhileAnotherGrows(t *testing.T) {
	needProbe(t)
	b := newBench(t, true, true)
	b.append("old.csv")
	b.pass(5 * time.Second)
	f := b.open("a.csv")
	for i := range 50 {
		b.write(f)
		b.pass(200 * time.Millisecond)
		if i == 25 {
			b.append("old.csv")
		}
	}
	b.close(f)
	b.pass(5 * time.Second)
	if l, n := b.log("old.csv"); n != 2 || l.Size != int64(2*len(row)) {
		t.Errorf("handed on %d times, with %d bytes", n, l.Size)
	}
}
