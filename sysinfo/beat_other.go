//go:build !linux

package sysinfo

import "context"

// newBeat returns the beat of a live machine.
func newBeat(context.Context) beat { return newTimerBeat() }
