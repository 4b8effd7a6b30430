package analysis_test

import (
	"math"
	"testing"

	"capd.example/analysis"
	"capd.example/internal/testlab"
)

// 95 % intervals of a cell hold the true rate in 93 to 97 of 100 cases, pooled and from
// the cell alone; docs/analysis.md states the figures of more rounds.
func TestCoverage(t *testing.T) {
	n := testlab.Rounds(t, 40, 500)
	r := testlab.Rand(71, 72)
	for _, noise := range []float64{0.005, 0.01, 0.02} {
		pooled, own, all, isPooled := 0.0, 0.0, 0.0, 0.0
		var width, ownWidth float64
		for range n {
			for _, c := range analysis.Cells(testlab.Alike(r, noise, 100), analysis.Options{}) {
				f := c.Figure(analysis.Average)
				all++
				if f.CILow <= 100 && 100 <= f.CIHigh {
					pooled++
				}
				if f.OwnLow <= 100 && 100 <= f.OwnHi {
					own++
				}
				if f.Spread.Pooled {
					isPooled++
				}
				width += math.Log(float64(f.CIHigh/f.CILow)) / 2
				ownWidth += math.Log(float64(f.OwnHi/f.OwnLow)) / 2
			}
		}
		t.Logf("noise %.1f %%: chosen interval holds %.1f %% (half-width %.2f %%, pooled in %.0f %%), the cell alone %.1f %% (%.2f %%)",
			100*noise, 100*pooled/all, 100*width/all, 100*isPooled/all, 100*own/all, 100*ownWidth/all)
		for what, held := range map[string]float64{"chosen": pooled / all, "own": own / all} {
			slack := 0.1 / math.Sqrt(float64(n)) // one table's intervals share a spread and hold or fail together
			if held < 0.94-slack || held > 0.96+slack {
				t.Errorf("noise %.1f %%: the %s interval holds %.1f %%", 100*noise, what, 100*held)
			}
		}
		if width > 0.6*ownWidth {
			t.Errorf("pooling narrows the interval from %.4f to %.4f only", ownWidth/all, width/all)
		}
	}
}
