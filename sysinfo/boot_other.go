//go:build !windows

package sysinfo

import "time"

// upTime is asked for on Windows alone.
func upTime() (time.Duration, bool) { return 0, false }
