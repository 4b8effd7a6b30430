//go:build !linux && !windows

package owncost

import "time"

func ownCost(*Cost) {}

func releaseProgram() {}

func threadTime() (time.Duration, bool) { return 0, false }

// LowerPriority does nothing on this system.
func LowerPriority(int) error { return nil }
