package disturbance

import (
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"capd.example/sysinfo/owncost"
)

// frameTarget is how long a frame of the loop takes on an idle processor.
const frameTarget = 4 * time.Millisecond

// calibrate finds how much work a frame is.
func calibrate() int {
	probe, best, sum := 1<<16, time.Duration(0), uint64(0)
	again := func() time.Duration {
		start := owncost.FineTime()
		sum += burn(probe)
		return owncost.FineTime() - start
	}
	for best = again(); best < frameTarget/4 && probe < 1<<30; best = again() {
		probe *= 2
	}
	for range 5 {
		best = min(best, again())
	}
	runtime.KeepAlive(sum) // else the compiler drops the work
	return max(1, int(float64(probe)*float64(frameTarget)/float64(max(best, frameTarget/64))))
}

// burn does a fixed amount of integer work (a linear congruential generator, Knuth's
// MMIX constants).
func burn(n int) uint64 {
	x := uint64(n)
	for range n {
		x = x*6364136223846793005 + 1442695040888963407
	}
	return x
}

// frame is one frame of the loop.
type frame struct {
	end  time.Time
	took time.Duration
}

func (f frame) begin() time.Time { return f.end.Add(-f.took) }
func (f frame) ms() float64      { return f.took.Seconds() * 1000 }

// frameLoops runs frames on threads of their own, at least one each, until it is stopped.
type frameLoops struct {
	start time.Time         // by the wall clock
	fine  time.Duration     // the same moment by the clock that times frames
	ends  [][]time.Duration // since start, of each thread
	quit  atomic.Bool
	wait  sync.WaitGroup
}

// startFrameLoop has room for frames of so long from the start: growing would show as a
// slow frame.
func startFrameLoop(threads int, length time.Duration) *frameLoops {
	work := calibrate()
	l := &frameLoops{ends: make([][]time.Duration, threads)}
	for i := range l.ends {
		l.ends[i] = make([]time.Duration, 0, int(2*length/frameTarget)+16)
	}
	l.start, l.fine = time.Now(), owncost.FineTime()
	for i := range l.ends {
		l.wait.Go(func() {
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			ends, sum := l.ends[i], uint64(0)
			for more := true; more; more = !l.quit.Load() {
				sum += burn(work)
				ends = append(ends, owncost.FineTime()-l.fine)
			}
			l.ends[i] = ends
			runtime.KeepAlive(sum)
		})
	}
	return l
}

// now is the time by the clock that times frames.
func (l *frameLoops) now() time.Time { return l.start.Add(owncost.FineTime() - l.fine) }

func (l *frameLoops) stop() {
	l.quit.Store(true)
	l.wait.Wait()
}

// frames of each thread; only after stop.
func (l *frameLoops) frames() [][]frame {
	out := make([][]frame, len(l.ends))
	for i, ends := range l.ends {
		out[i] = make([]frame, 0, len(ends))
		last := time.Duration(0)
		for _, end := range ends {
			out[i] = append(out[i], frame{end: l.start.Add(end), took: end - last})
			last = end
		}
	}
	return out
}
