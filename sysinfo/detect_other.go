//go:build !windows

package sysinfo

import "context"

// detectWindows is never called here.
func detectWindows(context.Context, *cardFinder, *facts) {}
