// Package owncost is what this process costs the machine that it runs on, and how to cost less.
package owncost

import (
	"runtime/debug"
	"time"
)

// Cost is what this process and its ended children have used since it began.
type Cost struct {
	Age          time.Duration
	Processor    time.Duration // user and system time of this process
	Children     time.Duration // and of the plugins that have ended
	WakeUps      uint64        // times a thread woke from waiting; 0 where the system does not count
	Preempted    uint64        // times a thread had to let another one go first; likewise
	Resident     uint64        // bytes in memory now
	ResidentMost uint64        // bytes at the most
	Reads        uint64        // calls that read a file; 0 where the system does not count, as below
	Read         uint64        // bytes these calls asked for
	Written      uint64        // bytes given to files
}

// Percent returns the average share of one processor.
func (c Cost) Percent() float64 {
	if c.Age <= 0 {
		return 0
	}
	return 100 * c.Processor.Seconds() / c.Age.Seconds()
}

// WakeUpsPerSecond returns the average rate.
func (c Cost) WakeUpsPerSecond() float64 {
	if c.Age <= 0 {
		return 0
	}
	return float64(c.WakeUps) / c.Age.Seconds()
}

var begun = time.Now()

// Now reads what this process costs.
func Now() Cost {
	c := Cost{Age: time.Since(begun)}
	ownCost(&c)
	return c
}

// ReleaseMemory gives back to the system what this process does not need now. It takes
// milliseconds: it is for when work is over, not for when a pass runs.
func ReleaseMemory() {
	debug.FreeOSMemory()
	releaseProgram()
}
