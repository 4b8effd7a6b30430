//go:build !linux

package sysinfo

import "time"

// sleptClocks is asked for on Linux alone.
func sleptClocks() (time.Duration, bool) { return 0, false }
