package sysinfo

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/cardusers"
	"capd.example/sysinfo/detect"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/process"
	"capd.example/sysinfo/sensor"
	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
)

// Options says where a bench is read and how often. The zero value is this machine, once
// a second, kept for 40 minutes.
type Options struct {
	Windows winsys.Asker  // a recorded Windows machine in place of this one; nil for none
	NVML    winsys.Asker  // answers in the place of NVIDIA's library; nil for the one of this machine
	Root    string        // "" or "/" is this machine; else the folder of a recorded Linux machine
	Period  time.Duration // between samples while the machine is busy; 0 is 1 s
	Idle    time.Duration // between looks whether it is, and samples while it is nearly; 0 is 5 s
	Keep    time.Duration // how long samples are kept; 0 is 40 min
	Calm    func(bool)    // is told when samples become rare, and when they come every Period again; nil for nobody
}

// Bench is one test computer as it is now.
type Bench struct {
	opt  Options
	tree tree.Tree
	live bool // this machine, not a recorded one

	cards   *graphics.Finder
	windows winsys.Asker // nil where this is no Windows

	spent spending // of sampling

	running atomic.Pointer[sampler] // while samples are taken
	beats   chan struct{}

	testOnlySources []sensor.Source
	testOnlyAsleep  func() (time.Duration, bool)

	mu       sync.Mutex // guards what follows
	ring     *ring
	table    *process.Table
	cardUse  *cardusers.Table // nil where nothing tells
	gaps     []record.Gap
	sampling bool
}

// New returns the bench that o describes. Nothing is opened before it is needed.
func New(o Options) *Bench {
	if o.Period <= 0 {
		o.Period = time.Second
	}
	if o.Idle <= 0 {
		o.Idle = max(5*time.Second, o.Period)
	}
	if o.Keep <= 0 {
		o.Keep = 40 * time.Minute
	}
	b := &Bench{opt: o, live: o.Root == "" || o.Root == "/", beats: make(chan struct{}, 1)}
	b.tree = tree.New(o.Root)
	if b.windows = o.Windows; b.windows != nil {
		b.live = false
	} else if b.live {
		b.windows = winsys.Here()
	}
	b.cards = graphics.NewFinder(b.tree, b.live).OnWindows(b.windows).OnNVML(o.NVML)
	return b
}

// Beats tells after each sample that this process is awake, for one receiver: what it does
// then needs no wake-up of its own.
func (b *Bench) Beats() <-chan struct{} { return b.beats }

// Detect reads what the bench is now and sets its identity. Names of people and hosts
// and serial numbers are never read.
func (b *Bench) Detect(ctx context.Context) record.System {
	s := record.System{Fields: detect.Fields(ctx, b.tree, b.windows, b.cards)}
	s.ID = s.Identity()
	return s
}
