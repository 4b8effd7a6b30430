package detect

import (
	"context"

	"capd.example/record"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
)

// Fields reads what the bench is now: the machine that answers in windows or, where that is
// nil, the Linux machine below the tree. Names of people and hosts and serial numbers are never read.
func Fields(ctx context.Context, t tree.Tree, windows winsys.Asker, cards *graphics.Finder) []record.Field {
	var f facts
	if windows != nil {
		detectWindows(windows, cards, &f)
	} else {
		detectTree(ctx, t, cards, &f)
	}
	return f.list
}

// detectTree reads a Linux machine below the root folder.
func detectTree(ctx context.Context, t tree.Tree, cards *graphics.Finder, f *facts) {
	detectProcessor(ctx, t, f)
	detectPolicy(t, f)
	detectBoard(t, f)
	detectMemory(ctx, t, f)
	detectGraphics(ctx, t, cards, f)
	detectDisplays(t, f)
	detectOS(t, f)
	detectStorage(t, f)
	detectPowerSource(t, f)
	detectSensors(t, f)
}
