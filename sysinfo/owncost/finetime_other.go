//go:build !windows

package owncost

import "time"

// FineTime returns the time since this program started, in steps of a microsecond at most.
func FineTime() time.Duration { return time.Since(begun) }
