// Package host is the agent's half of the validator kit: it finds validators, starts
// their processes after a pass, asks them within a deadline, and stops them when idle.
//
// A validator that crashes, hangs, floods, answers rubbish, speaks another version or
// takes too much memory is killed and yields a finding "not-checked" with the reason;
// the other validators go on in a fresh process. Nothing here fails a pass.
package host

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"capd.example/plugins"
	"capd.example/plugins/internal/wire"
	"capd.example/record"
)

// Options say which validators there are and how they are treated.
type Options struct {
	Bundled []string          // argument list that starts the bundled validators; empty for none
	Folder  string            // of other validators; "" for none
	Pinned  map[string]string // file name in Folder = SHA-256 in hexadecimal; what is not listed is not started
	Plain   []string          // file names in Folder that may go without mutual TLS; Unix sockets only

	Params map[string]map[string]string // settings by validator and parameter
	Off    []string                     // validators that are not asked

	Deadline    time.Duration // per call; 0 means 5 s
	StartWithin time.Duration // from start to connection; 0 means the larger of Deadline and startWithin
	IdleAfter   time.Duration // processes are stopped this long after the last use; 0 means 30 s
	MaxMemory   int64         // bytes resident per process; 0 means 512 MiB
	Strikes     int           // failures in a row before a validator is put aside for a while; 0 means 3
	// Pause is how long what failed is left alone, doubled with each failure after it was
	// put aside: the bundled validators, which are the agent's own program, at most twelve
	// times as long, others six times as long at first and half an hour at most; 0 means 10 s.
	Pause   time.Duration
	TempDir string // parent of the private folders for sockets; "" means the system's
	Version string // of the agent, told to validators
	Logger  zerolog.Logger
}

// startWithin is long: validators run at the lowest priority, and a game that still loads
// every core when its pass has ended leaves them next to nothing. A late verdict is better
// than one without its checks.
const startWithin = 30 * time.Second

// maxOutput is what a process may write to its standard output and error, in bytes.
const maxOutput = 1 << 20

func (o Options) withDefaults() Options {
	o.Deadline = cmp.Or(o.Deadline, 5*time.Second)
	o.StartWithin = cmp.Or(o.StartWithin, max(o.Deadline, startWithin))
	o.IdleAfter = cmp.Or(o.IdleAfter, 30*time.Second)
	o.MaxMemory = cmp.Or(o.MaxMemory, 512<<20)
	o.Strikes = cmp.Or(o.Strikes, 3)
	o.Pause = cmp.Or(o.Pause, 10*time.Second)
	return o
}

// Host asks validators. Its methods may be called from several goroutines; passes are
// checked one after the other.
type Host struct {
	opts Options
	dir  string // private, for sockets

	mu      sync.Mutex
	sources []*source
	idle    *time.Timer
	closed  bool

	// Of the latest pass:
	heard   map[string]bool   // checks of which there is a finding
	unable  map[string]string // validator = why it gave no answer
	unknown bool              // a program gave none that never said which checks it holds
	later   bool              // one that failed gave none, and may give it later
}

// New looks for validators and starts nothing. The error names a setting that makes no
// sense, a folder that others can write to among them. A single file that cannot be
// trusted is no error: its finding says so for every pass.
func New(opts Options) (*Host, error) {
	opts = opts.withDefaults()
	h := &Host{opts: opts}
	if len(opts.Bundled) > 0 {
		h.sources = append(h.sources, &source{name: "bundled", argv: opts.Bundled, bundled: true,
			failures: map[string]*failure{}})
	}
	found, err := find(opts)
	if err != nil {
		return nil, fmt.Errorf("validators: %w", err)
	}
	h.sources = append(h.sources, found...)
	if h.dir, err = privateDir(opts.TempDir); err != nil {
		return nil, fmt.Errorf("validators: make a private folder for sockets: %w", err)
	}
	h.idle = time.AfterFunc(time.Hour, h.Idle)
	h.idle.Stop()
	return h, nil
}

// longestParent leaves room for our own names in the path of a Unix socket, which is
// limited to some hundred bytes.
const longestParent = 50

// privateDir makes a folder that only this user can enter, below parent or, where that
// would make the paths of sockets too long, in a temporary folder with a shorter name.
func privateDir(parent string) (string, error) {
	if len(parent) > longestParent {
		parent = ""
	}
	if parent == "" && len(os.TempDir()) > longestParent && runtime.GOOS != "windows" {
		return os.MkdirTemp("/tmp", "capd-v")
	}
	if parent != "" {
		if err := os.MkdirAll(parent, 0o700); err != nil {
			return "", err
		}
		// What an agent left that was killed; nobody else has a name like this in there.
		old, _ := filepath.Glob(filepath.Join(parent, "capd-v*"))
		for _, dir := range old {
			if s, err := os.Stat(dir); err == nil && time.Since(s.ModTime()) > time.Hour {
				os.RemoveAll(dir)
			}
		}
	}
	return os.MkdirTemp(parent, "capd-v")
}

// Check asks every validator about e and returns their findings, sorted by check. It
// never fails: what could not be checked is a finding with the reason.
func (h *Host) Check(ctx context.Context, e record.Evidence) []record.Finding {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil
	}
	h.idle.Stop()
	defer h.idle.Reset(h.opts.IdleAfter)
	h.heard, h.unable, h.unknown, h.later = map[string]bool{}, map[string]string{}, false, false
	message := wire.Pack(e)
	var out []record.Finding
	for _, s := range h.sources {
		for _, f := range h.checkSource(ctx, s, message) {
			if h.heard[f.Check] {
				h.opts.Logger.Warn().Str("validator", f.Check).Str("from", s.name).
					Msg("name is taken by another validator, its finding is left out")
				continue
			}
			h.heard[f.Check] = true
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, func(a, b record.Finding) int { return cmp.Compare(a.Check, b.Check) })
	return out
}

// Unable names the validators that gave no answer about the latest pass, and says why: they
// could not be started, failed, are put aside or have settings that make no sense. One that
// answered "not-checked" itself is not among them. Unknown is true where a program among
// them never said which checks it holds: it stands there by its own name, and any check
// that nobody else answered for may be its.
func (h *Host) Unable() (why map[string]string, unknown bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return maps.Clone(h.unable), h.unknown
}

// Later reports whether the latest pass lacks the answer of a validator that failed or is
// put aside, so that asking again later may bring it. One that is refused or has settings
// that make no sense gives none before somebody puts that right.
func (h *Host) Later() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.later
}

// Failing is a validator, or a program of them, that gives no answers now.
type Failing struct {
	Name   string    // of the validator, or of the program where none of its validators answers
	Checks []string  // the checks that are not made
	Why    string    // the latest reason
	Again  time.Time // when it is asked again; zero: not before somebody puts it right
}

// Failing lists what gave no answer when it was last asked, and when that changes.
func (h *Host) Failing() []Failing {
	h.mu.Lock()
	defer h.mu.Unlock()
	var out []Failing
	for _, s := range h.sources {
		var all []string
		for _, d := range s.described {
			if !slices.Contains(h.opts.Off, d.Name) {
				all = append(all, d.Name)
			}
		}
		if s.refused != nil {
			out = append(out, Failing{Name: s.name, Checks: all, Why: s.refused.Error()})
			continue
		}
		if f := s.failures[starting]; f != nil {
			out = append(out, Failing{Name: s.name, Checks: all, Why: f.last, Again: f.again})
			continue
		}
		for _, name := range all {
			switch f, problem := s.failures[name], s.problems[name]; {
			case f != nil:
				out = append(out, Failing{Name: name, Checks: []string{name}, Why: f.last, Again: f.again})
			case problem != "":
				out = append(out, Failing{Name: name, Checks: []string{name}, Why: nonsense + problem})
			}
		}
	}
	return out
}

// Describe asks who is there. What could not be asked is left out and named in the error.
func (h *Host) Describe(ctx context.Context) ([]plugins.Description, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, fmt.Errorf("the host is closed")
	}
	h.idle.Stop()
	defer h.idle.Reset(h.opts.IdleAfter)
	var out []plugins.Description
	var first error
	for _, s := range h.sources {
		if _, err := h.ready(ctx, s); err != nil && first == nil {
			first = fmt.Errorf("validators of %s: %w", s.name, err)
		}
		out = append(out, s.described...)
	}
	return out, first
}

// Idle stops all processes. They are started again when they are needed.
func (h *Host) Idle() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.stopAll()
}

func (h *Host) stopAll() {
	for _, s := range h.sources {
		s.process.stop()
		s.process = nil
	}
}

// Close stops all processes for good.
func (h *Host) Close() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil
	}
	h.closed = true
	h.idle.Stop()
	h.stopAll()
	return os.RemoveAll(h.dir)
}
