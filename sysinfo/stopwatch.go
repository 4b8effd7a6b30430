package sysinfo

import "time"

// stopwatch tells the time used since it was started.
type stopwatch struct {
	at      time.Time     // when it was started
	start   time.Duration // the same, by FineTime
	before  time.Duration // the thread's processor time
	counted bool
}

func startWatch() stopwatch {
	w := stopwatch{at: time.Now(), start: FineTime()}
	w.before, w.counted = threadTime()
	return w
}

func (w stopwatch) used() time.Duration {
	wall := FineTime() - w.start
	after, _ := threadTime()
	// The runtime may have gone on with another thread, whose count is another.
	if used := after - w.before; w.counted && used >= 0 && used <= wall {
		return used
	}
	return wall
}
