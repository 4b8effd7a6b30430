package sensor

import (
	"math"
	"os"
	"testing"
	"time"

	"capd.example/sysinfo/winsys"
)

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
	var seen []float64
	for range 5 {
		row := []float64{math.NaN(), math.NaN(), math.NaN(), math.NaN()}
		s.Read(row, time.Time{})
		for i, c := range s.Columns() {
			if c.Name == "cpu.performance" {
				seen = append(seen, row[i])
			}
		}
	}
	if len(seen) != 5 || !(seen[0] > 120 && seen[4] < seen[0]-10) {
		t.Errorf("performance %v, want a fall from 144 %%", seen)
	}
}
