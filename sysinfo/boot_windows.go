package sysinfo

import (
	"time"

	"golang.org/x/sys/windows"
)

// upTime is how long the machine runs, sleep included.
func upTime() (time.Duration, bool) { return windows.DurationSinceBoot(), true }
