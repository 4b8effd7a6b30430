package sysinfo

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"capd.example/record"
)

// Options says where a bench is read and how often. The zero value is this machine, once
// a second, kept for 40 minutes.
type Options struct {
	Root   string        // "" or "/" is this machine; else the folder of a recorded Linux machine
	Period time.Duration // between samples while the machine is busy; 0 is 1 s
	Idle   time.Duration // between looks whether it is, and samples while it is nearly; 0 is 5 s
	Keep   time.Duration // how long samples are kept; 0 is 40 min
}

// Bench is one test computer as it is now.
type Bench struct {
	opt  Options
	tree tree
	live bool // this machine, not a recorded one

	// NVML is loaded once and shared by detection and sampling.
	nvmlOnce sync.Once
	nvml     *nvml
	nvmlWhy  gap

	spent spending // of sampling

	running atomic.Pointer[sampler] // while samples are taken
	beats   chan struct{}

	testOnlySources []source

	mu       sync.Mutex // guards what follows
	ring     *ring
	table    *processTable
	cardUse  *cardTable // nil where nothing tells
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
	if b.tree.root = o.Root; b.tree.root == "" {
		b.tree.root = "/"
	}
	return b
}

// Beats tells after each sample that this process is awake, for one receiver: what it does
// then needs no wake-up of its own.
func (b *Bench) Beats() <-chan struct{} { return b.beats }

// Detect reads what the bench is now and sets its identity. Names of people and hosts
// and serial numbers are never read.
func (b *Bench) Detect(ctx context.Context) record.System {
	var f facts
	if b.live && runtime.GOOS == "windows" {
		b.detectWindows(ctx, &f)
	} else {
		b.detectTree(ctx, &f)
	}
	s := record.System{Fields: f.list}
	s.ID = s.Identity()
	return s
}

// detectTree reads a Linux machine below the root folder.
func (b *Bench) detectTree(ctx context.Context, f *facts) {
	t := b.tree
	detectProcessor(ctx, t, f)
	detectPolicy(t, f)
	detectBoard(t, f)
	detectMemory(ctx, t, f)
	b.detectGraphics(ctx, f)
	detectDisplays(t, f)
	detectOS(t, f)
	detectStorage(t, f)
	detectPowerSource(t, f)
	detectSensors(t, f)
}
