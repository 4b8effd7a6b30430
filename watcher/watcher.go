package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"
)

// File is what the file system says about a log without reading it.
type File struct {
	Path    string
	Rel     string // below the watched folder, as the operating system writes it
	Size    int64  // bytes
	ModTime time.Time
	FileID  string // the file system's own identity (device and inode, volume and index); "" where there is none
}

func (f File) same(g File) bool {
	return f.Size == g.Size && f.ModTime.Equal(g.ModTime) && f.FileID == g.FileID
}

// Log is a log that is complete as far as can be known.
type Log struct {
	File
	Writer     Writer    // what was known about its writer when it was taken
	FirstSeen  time.Time // when it was first noticed
	LastChange time.Time // when its last change was noticed
	CompleteAt time.Time // when it was found complete
	Forced     bool      // taken at the latest time although a program still held it open
	Again      bool      // was handed on before and has changed since
}

// Trouble is something that keeps logs from being noticed. Each is told once until it
// has passed.
type Trouble struct {
	Path string
	Err  error
	Hint string // what to do about it
}

func (t Trouble) Error() string { return fmt.Sprintf("watch %s: %v", t.Path, t.Err) }

// Causes of a [Trouble] that have no error of the operating system.
var (
	ErrVanished = errors.New("the log vanished before it was complete")
	ErrMissing  = errors.New("the folder does not exist")
	ErrNoEvents = errors.New("the system sends no events for this folder")
	ErrOverflow = errors.New("more events than the system could keep")
)

// Options say what to watch. A zero duration means its default.
type Options struct {
	Folder   string
	Patterns []string // glob patterns for the last element of a log's path, in any case; none means every file

	Quiet  time.Duration // default 2 s; at least 5 s on a network file system
	Latest time.Duration // default 10 min
	// between looks where events cannot be trusted; 0: none on a local disk, 2 s on a network file system
	Poll   time.Duration
	Rescan time.Duration // between scans besides the events; default 30 s

	// Existing takes the logs that are there at the first scan; otherwise they count as
	// known until they change.
	Existing bool
	// Known reports whether this very file was ingested before; nil for never.
	Known func(File) bool
	// Trouble is told what keeps logs from being noticed; nil to ignore it. It is called
	// from the watching goroutine and must return quickly.
	Trouble func(Trouble)
	// Table reports whether the beginning of a file that is being written over time reads as
	// a log; nil for always. A file that does not is not among those that are being
	// recorded. It is asked once, and again each time the file has doubled, until it does.
	Table func(path string) bool
	// Noticed is told that a log is new or has changed since the first scan; nil to ignore
	// it. It must return at once, too.
	Noticed func()

	// Turned is told that a log began or ended being written, or that the folder came or went;
	// nil to ignore it. It must return at once, too.
	Turned func()

	// Beat says that this process is awake anyway, best once a second: looks that can wait
	// are made then, so that they need no wake-up of their own; nil for none.
	Beat <-chan struct{}

	// Seams for tests.
	testEvents func() (source, error)
	testNames  func() (names, error)
	testProbe  func(path string) Writer
	testRemote func(folder string) bool
	testLong   func(path string) string
	testLook   func(path string) (fs.FileInfo, kind, error)
}

// State is what the watcher is doing, for people.
type State struct {
	Folder  string
	Missing bool // the folder does not exist now
	Polling bool // events are not trusted or not available
	Folders int  // watched folders, the first included
	Pending int  // logs that are not complete yet
	Queued  int  // complete logs that the receiver has not taken yet
	// Changed is the latest noticed change of a log that is not complete: one that is being
	// recorded, or whose recording may just have begun; zero when there is none.
	Changed time.Time
	// Recording is the latest noticed change of a log that is being written over time, not
	// at once; zero when there is none.
	Recording time.Time
	// Holder is the log, of those written over time, whose writing began last, which others may wait for; ""
	// when there is none. Its writing began at HolderSince.
	Holder      string
	HolderSince time.Time
	Handed      int // logs handed on since the start
}

// turned reports whether another log is being written than before, or the folder is there
// where it was not; that a log grew is nothing new.
func (s State) turned(was State) bool {
	return s.Holder != was.Holder || s.Pending != was.Pending || s.Queued != was.Queued || s.Missing != was.Missing
}

// Remote reports whether a folder lies on a network drive, of which the system tells no
// changes.
func Remote(folder string) bool { return remote(folder) }

// Watcher watches one folder and everything below it.
type Watcher struct {
	o     Options
	state atomic.Pointer[State]
}

// New checks the options. Nothing is touched before [Watcher.Run].
func New(o Options) (*Watcher, error) {
	if o.Folder == "" {
		return nil, errors.New("watch: no folder named")
	}
	folder, err := filepath.Abs(o.Folder)
	if err != nil {
		return nil, fmt.Errorf("watch %s: %w", o.Folder, err)
	}
	o.Folder = folder
	o.Patterns = append([]string(nil), o.Patterns...)
	for i, p := range o.Patterns {
		if _, err := filepath.Match(p, "x"); err != nil {
			return nil, fmt.Errorf("watch: pattern %q: %w", p, err)
		}
		o.Patterns[i] = strings.ToLower(p)
	}
	for _, d := range []time.Duration{o.Quiet, o.Latest, o.Poll, o.Rescan} {
		if d < 0 {
			return nil, fmt.Errorf("watch: %v is not a time", d)
		}
	}
	setDefaults(&o)
	w := &Watcher{o: o}
	w.state.Store(&State{Folder: folder})
	return w, nil
}

func setDefaults(o *Options) {
	set := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	set(&o.Quiet, 2*time.Second)
	set(&o.Latest, 10*time.Minute)
	set(&o.Rescan, 30*time.Second)
	o.Latest = max(o.Latest, o.Quiet)
	if o.Known == nil {
		o.Known = func(File) bool { return false }
	}
	if o.Trouble == nil {
		o.Trouble = func(Trouble) {}
	}
	if o.Table == nil {
		o.Table = func(string) bool { return true }
	}
	if o.Noticed == nil {
		o.Noticed = func() {}
	}
	if o.testEvents == nil {
		o.testEvents = newEvents
	}
	if o.testNames == nil {
		o.testNames = newNames
	}
	if o.testProbe == nil {
		o.testProbe = probeWriter
	}
	if o.testRemote == nil {
		o.testRemote = remote
	}
	if o.testLong == nil {
		o.testLong = longName
	}
	if o.testLook == nil {
		o.testLook = lookAtFile
	}
}

// State returns what the watcher was doing last. It may be called at any time.
func (w *Watcher) State() State { return *w.state.Load() }

// Run watches until ctx ends and sends every complete log to out, oldest first. A slow
// receiver delays no event; a log that changes while it waits for the receiver is held
// back until it is complete again. Run returns nil when ctx ends.
func (w *Watcher) Run(ctx context.Context, out chan<- Log) error {
	k := newKeeper(w.o)
	defer k.closeEvents()
	timer := time.NewTimer(0)
	defer timer.Stop()
	beat, set := false, time.Time{}
	for {
		now := time.Now()
		if beat {
			k.beat(now)
		}
		beat = false
		next := k.step(now)
		if s, was := k.state(), *w.state.Load(); s != was {
			w.state.Store(&s)
			if w.o.Turned != nil && s.turned(was) {
				w.o.Turned()
			}
		}
		if !next.Equal(set) {
			timer.Reset(time.Until(next))
			set = next
		}
		var send chan<- Log
		var first Log
		if len(k.queue) > 0 {
			send, first = out, k.queue[0]
		}
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
			set = time.Time{}
		case <-w.o.Beat:
			beat = true
		case e, ok := <-k.events():
			k.hint(e, ok, time.Now())
		case err, ok := <-k.errors():
			k.eventsFailed(err, ok)
		case h := <-k.namesHeard():
			k.happened(h, time.Now())
		case send <- first:
			k.sent(first)
		}
	}
}

// vanished reports whether err says that there is nothing at the path any more.
func vanished(err error) bool { return errors.Is(err, os.ErrNotExist) }
