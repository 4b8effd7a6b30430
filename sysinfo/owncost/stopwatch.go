package owncost

import "time"

// Stopwatch tells the time used since it was started.
type Stopwatch struct {
	At      time.Time     // when it was started
	start   time.Duration // the same, by FineTime
	before  time.Duration // the thread's processor time
	counted bool
}

// Start starts a stopwatch.
func Start() Stopwatch {
	w := Stopwatch{At: time.Now(), start: FineTime()}
	w.before, w.counted = threadTime()
	return w
}

// Used returns the time used since: processor time of this thread where the system counts it
// finely, else the time that passed.
func (w Stopwatch) Used() time.Duration {
	wall := FineTime() - w.start
	after, _ := threadTime()
	// The runtime may have gone on with another thread, whose count is another.
	if used := after - w.before; w.counted && used >= 0 && used <= wall {
		return used
	}
	return wall
}
