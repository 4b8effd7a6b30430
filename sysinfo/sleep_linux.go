package sysinfo

import (
	"time"

	"golang.org/x/sys/unix"
)

// sleptClocks is the time between two clocks that were started together, of which one stands
// still while the machine sleeps (clock_gettime(2)).
func sleptClocks() (time.Duration, bool) {
	var awake, all unix.Timespec
	// Awake first: what passes in between must not look like less than no sleep.
	if unix.ClockGettime(unix.CLOCK_MONOTONIC, &awake) != nil || unix.ClockGettime(unix.CLOCK_BOOTTIME, &all) != nil {
		return 0, false
	}
	return time.Duration(all.Nano() - awake.Nano()), true
}
