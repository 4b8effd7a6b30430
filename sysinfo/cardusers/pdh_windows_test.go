package cardusers

import (
	"os"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/winsys"
)

// TestCountersStandIn asks the counters of testdata/pdh.c, which scripts/wine-check.sh
// puts in the place of the system's library. Its figures are invented.
func TestCountersStandIn(t *testing.T) {
	if os.Getenv("PDH_STAND_IN") == "" {
		t.Skip("needs the stand-in for pdh.dll: scripts/wine-check.sh")
	}
	table := newCardTable(func(pid int) string { return map[int]string{10: "loop.exe", 20: "film.exe", 30: "mover.exe"}[pid] })
	openWindowsCardUse(winsys.Here(), nil, table)
	if len(table.readers) != 1 {
		t.Fatalf("no reader: %+v", table.gaps)
	}
	from := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	for i := range 3 {
		table.readers[0].look(from.Add(time.Duration(i)*5*time.Second), table)
	}
	w := table.Between(from, from.Add(10*time.Second))
	for pid, want := range map[int]record.CardUse{
		10: {Shading: 85, Memory: 2 << 30},
		20: {Shading: 6, Video: 30, Memory: 512 << 20}, // the copies had no valid data
		30: {Card: 1, Copy: 11},
	} {
		got := w.UsedBy(pid)
		if len(got) != 1 {
			t.Fatalf("program %d used %+v", pid, got)
		}
		machinetest.Near(t, "shading", got[0].Shading, want.Shading)
		machinetest.Near(t, "copy", got[0].Copy, want.Copy)
		machinetest.Near(t, "video", got[0].Video, want.Video)
		if got[0].Card != want.Card || got[0].Memory != want.Memory || w.Programs()[pid] == "" {
			t.Errorf("program %d: %+v, want %+v", pid, got[0], want)
		}
	}
	table.Close()
}
