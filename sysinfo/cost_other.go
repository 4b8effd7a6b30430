//go:build !linux && !windows

package sysinfo

func ownCost(*Cost) {}

func releaseProgram() {}

// LowerPriority does nothing on this system.
func LowerPriority(int) error { return nil }
