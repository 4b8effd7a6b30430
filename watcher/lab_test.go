package watcher

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lab is a watcher on a real folder. In a bubble its time is the bubble's and the test
// plays the operating system's events; live, both are real.
type lab struct {
	t        *testing.T
	dir      string
	w        *Watcher
	out      chan Log
	source   *playedEvents
	mu       sync.Mutex
	troubles []Trouble
}

// playedEvents is a source of events that a test plays itself.
type playedEvents struct {
	events  chan fsnotify.Event
	errs    chan error
	add     func(folder string) error
	mu      sync.Mutex
	added   []string
	removed []string
	closed  int
}

func (s *playedEvents) Add(folder string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.added = append(s.added, folder)
	if s.add != nil {
		return s.add(folder)
	}
	return nil
}
func (s *playedEvents) Remove(folder string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.removed = append(s.removed, folder)
	return nil
}

func (s *playedEvents) Close() error                  { s.mu.Lock(); s.closed++; s.mu.Unlock(); return nil }
func (s *playedEvents) Events() <-chan fsnotify.Event { return s.events }
func (s *playedEvents) Errors() <-chan error          { return s.errs }

func newLab(t *testing.T, dir string, change ...func(*Options)) *lab {
	t.Helper()
	l := &lab{t: t, dir: dir, out: make(chan Log, 64)}
	l.source = &playedEvents{events: make(chan fsnotify.Event), errs: make(chan error)}
	o := Options{Folder: dir, Patterns: []string{"*.csv"}, Existing: true, Trouble: l.hear}
	o.testEvents = func() (source, error) { return l.source, nil }
	o.testNames = func() (names, error) { return nil, errors.ErrUnsupported }
	o.testRemote = func(string) bool { return false }
	for _, f := range change {
		f(&o)
	}
	var err error
	if l.w, err = New(o); err != nil {
		t.Fatal(err)
	}
	return l
}

func live(o *Options) {
	o.testEvents, o.testNames, o.testRemote = nil, nil, nil
	o.Quiet = 150 * time.Millisecond
}

func noEvents(o *Options) {
	o.testEvents = func() (source, error) { return nil, errors.New("no events here") }
}

func (l *lab) hear(x Trouble) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.troubles = append(l.troubles, x)
}

func (l *lab) start() {
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.w.Run(ctx, l.out) }()
	l.t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			l.t.Errorf("Run: %v", err)
		}
	})
}

// run starts the watcher in its bubble and lets the first scan pass.
func (l *lab) run() {
	l.start()
	synctest.Wait()
}

// pass lets time go by in the bubble.
func (l *lab) pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func (l *lab) path(name string) string { return filepath.Join(l.dir, filepath.FromSlash(name)) }

func (l *lab) put(name, text string) string {
	l.t.Helper()
	p := l.path(name)
	if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
		l.t.Fatal(err)
	}
	if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
		l.t.Fatal(err)
	}
	return p
}

// played writes a log and plays the events that the system sends for it.
func (l *lab) played(name, text string) string {
	p := l.put(name, text)
	l.event(p, fsnotify.Create)
	l.event(p, fsnotify.Write)
	return p
}

func (l *lab) event(path string, op fsnotify.Op) {
	l.source.events <- fsnotify.Event{Name: path, Op: op}
}

func (l *lab) appendTo(f *os.File, text string) {
	l.t.Helper()
	if _, err := f.WriteString(text); err != nil {
		l.t.Fatal(err)
	}
	if l.source != nil {
		l.event(f.Name(), fsnotify.Write)
	}
}

func (l *lab) open(name string, flags int) *os.File {
	l.t.Helper()
	f, err := os.OpenFile(l.path(name), flags, 0o644)
	if err != nil {
		l.t.Fatal(err)
	}
	l.t.Cleanup(func() { f.Close() })
	return f
}

// want takes the next log, which must be there already.
func (l *lab) want(name string) Log {
	l.t.Helper()
	select {
	case got := <-l.out:
		if got.Rel != filepath.FromSlash(name) {
			l.t.Fatalf("handed on %s, want %s", got.Rel, name)
		}
		return got
	default:
		l.t.Fatalf("%s was not handed on; pending %d, troubles %v", name, l.w.State().Pending, l.heard())
	}
	return Log{}
}

func (l *lab) wantNothing() {
	l.t.Helper()
	select {
	case got := <-l.out:
		l.t.Fatalf("handed on %s (%d bytes, writer %v)", got.Rel, got.Size, got.Writer)
	default:
	}
}

// await takes the next log by a deadline in real time.
func (l *lab) await(name string) Log {
	l.t.Helper()
	select {
	case got := <-l.out:
		if got.Rel != filepath.FromSlash(name) {
			l.t.Fatalf("handed on %s, want %s", got.Rel, name)
		}
		return got
	case <-time.After(20 * time.Second):
		l.t.Fatalf("%s was not handed on; troubles %v", name, l.heard())
	}
	return Log{}
}

// until waits in real time for a state.
func (l *lab) until(what string, ok func(State) bool) {
	l.t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(20 * time.Second)
	for !ok(l.w.State()) {
		select {
		case <-tick.C:
		case <-deadline:
			l.t.Fatalf("not %s: %+v", what, l.w.State())
		}
	}
}

func watching(s State) bool { return s.Folders > 0 }

func (l *lab) heard() []Trouble {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]Trouble(nil), l.troubles...)
}

func (l *lab) count(err error) (n int) {
	for _, x := range l.heard() {
		if errors.Is(x.Err, err) {
			n++
			if x.Hint == "" || x.Path == "" {
				l.t.Errorf("trouble without path or hint: %+v", x)
			}
		}
	}
	return n
}

const text = "frame_ms\n10.0\n11.0\n"
