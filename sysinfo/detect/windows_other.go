//go:build !windows

package detect

import (
	"context"

	"capd.example/sysinfo/graphics"
)

// detectWindows is never called here.
func detectWindows(context.Context, *graphics.Finder, *facts) {}
