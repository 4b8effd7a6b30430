package agent

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"capd.example/internal/testlab"
	"capd.example/store"
)

var (
	seeds     = flag.Int("seeds", 0, "how many seeds the simulation runs; 0: 30, 4 with the race detector, 1000 with CAPD_LONG=1")
	shorten   = flag.Bool("shorten", true, "look for fewer steps after which a seed fails")
	firstSeed = flag.Uint64("seed", 0, "the simulation's first seed")
)

// TestSimulation lets the whole agent live through what a seed invents: logs that arrive, grow,
// are renamed, rewritten, cut and deleted, corrections and orders by hand, validators and
// alert channels that fail, a store that refuses, and crashes at any commit. Time is
// invented; watcher, pipeline, judging, campaign, alerts and the store are the real ones,
// the store and the folder on a real file system. See [simulated.settled] for what must hold.
func TestSimulation(t *testing.T) {
	n := *seeds
	if n == 0 {
		switch n = 30; {
		case testlab.Long(t):
			n = 1000
		case len(testlab.BuildFlags) > 0: // the race detector takes many times as long
			n = 4
		}
	}
	blank := blankStore(t)
	defer debug.SetGCPercent(debug.SetGCPercent(400)) // a quarter of the time else goes into collecting what is small
	began := time.Now()
	totals := make(chan tallied, n)
	t.Run("seeds", func(t *testing.T) {
		for i := range uint64(n) {
			t.Run(fmt.Sprint(*firstSeed+i), func(t *testing.T) {
				t.Parallel()
				got := live(t, blank, *firstSeed+i, mostSteps)
				totals <- got.tallied
				if len(got.wrong) > 0 {
					t.Error(shortened(t, blank, *firstSeed+i, got))
				}
			})
		}
	})
	close(totals)
	var sum tallied
	for got := range totals {
		sum.add(got)
	}
	t.Logf("%d seeds in %s: %s", n, time.Since(began).Round(time.Second), sum)
}

const mostSteps = 45

// tallied is what happened in simulations, so that nobody takes silence for coverage.
type tallied struct {
	steps, crashes, passes, bad, told int
	lived                             time.Duration // invented
}

func (a *tallied) add(b tallied) {
	a.steps, a.crashes, a.passes, a.bad, a.told, a.lived = a.steps+b.steps, a.crashes+b.crashes, a.passes+b.passes, a.bad+b.bad, a.told+b.told, a.lived+b.lived
}

func (a tallied) String() string {
	return fmt.Sprintf("%d steps, %d crashes, %d passes stored, %d of them not clean, %d alerts delivered, %s of the agent's time",
		a.steps, a.crashes, a.passes, a.bad, a.told, a.lived.Round(time.Hour))
}

// outcome is what came of one seed.
type outcome struct {
	tallied
	wrong []string
	trace []string
}

// live runs one seed for so many steps.
func live(t *testing.T, blank string, seed uint64, steps int) (o outcome) {
	dir := memoryDir(t)
	defer os.RemoveAll(dir)
	w := newSimulated(dir, blank, seed)
	defer func() {
		if r := recover(); r != nil { // a goroutine that hangs for ever ends the bubble with a panic
			o = w.outcome()
			o.wrong = append(o.wrong, fmt.Sprint("the agent hangs: ", r))
		}
	}()
	synctest.Test(t, func(*testing.T) { w.run(steps) })
	return w.outcome()
}

// shortened looks for the fewest steps after which the same seed fails, and tells how.
func shortened(t *testing.T, blank string, seed uint64, o outcome) string {
	for low, high := 0, mostSteps; *shorten && low < high; {
		middle := (low + high) / 2
		if got := live(t, blank, seed, middle); len(got.wrong) > 0 {
			o, high = got, middle
		} else {
			low = middle + 1
		}
	}
	return fmt.Sprintf("seed %d (again: go test ./agent -run TestSimulation -seeds 1 -seed %d), %d steps:\n  %s\n%s",
		seed, seed, o.steps, strings.Join(o.trace, "\n  "), strings.Join(o.wrong, "\n"))
}

// memoryDir is a folder that is no disk where the system has one: a seed commits hundreds
// of times.
func memoryDir(t *testing.T) string {
	t.Helper()
	if dir, err := os.MkdirTemp("/dev/shm", "capd-simulation-"); err == nil {
		return dir
	}
	dir, err := os.MkdirTemp("", "capd-simulation-")
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// blankStore makes an empty store, which each seed begins with.
func blankStore(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "passes.db")
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}
