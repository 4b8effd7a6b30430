package sensor

import (
	"math"
	"os"
	"runtime"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

// TestClocksStandIn: clocks of single processors that fall from look to look, as
// testdata/powrprof.c tells them.
func TestClocksStandIn(t *testing.T) {
	if os.Getenv("POWRPROF_STAND_IN") == "" {
		t.Skip("needs the stand-in for powrprof.dll: scripts/wine-check.sh")
	}
	s, why := openWinClocks(winsys.Here(), runtime.NumCPU())
	if why != "" {
		t.Fatal(why)
	}
	defer s.Close()
	row := make([]float64, runtime.NumCPU())
	for look := range 3 { // the first one was at opening
		s.Read(row, time.Time{})
		for i, mhz := range row {
			if want := float64(4500 - 100*(look+2) - i); mhz != want {
				t.Errorf("look %d, processor %d: %g MHz, want %g", look, i, mhz, want)
			}
		}
	}
}

// TestBoostStandIn: a processor that runs above its base clock, and slower from look to look,
// is seen to do so. Its figures are those of testdata/pdh.c.
func TestBoostStandIn(t *testing.T) {
	if os.Getenv("PDH_STAND_IN") == "" {
		t.Skip("needs the stand-in for pdh.dll: scripts/wine-check.sh")
	}
	s, gaps := openCounters(winsys.Here())
	if s == nil {
		t.Fatal(gaps)
	}
	defer s.Close()
	var seen, clock []float64
	for range 5 {
		row := make([]float64, len(s.Columns()))
		for i := range row {
			row[i] = math.NaN()
		}
		s.Read(row, time.Time{})
		for i, c := range s.Columns() {
			switch c.Name {
			case "cpu.performance":
				seen = append(seen, row[i])
			case record.SeriesCPUClock: // of the same counter
				clock = append(clock, row[i])
			}
		}
	}
	if len(seen) != 5 || !(seen[0] > 120 && seen[4] < seen[0]-10) {
		t.Errorf("performance %v, want a fall from 144 %%", seen)
	}
	if len(clock) != 5 || !(clock[0] > clock[4] && clock[4] > 0) {
		t.Errorf("clock %v, want a fall", clock)
	}
}
