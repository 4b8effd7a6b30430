//go:build !linux

package owncost

import "time"

// SlackenTimers does nothing: other systems gather timers by themselves.
func SlackenTimers(time.Duration) error { return nil }
