package analysis_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/record"
)

// twelve simulates twelve cells of equal true rate 100 but for the last, with lognormal
// noise of passes.
func twelve(r *rand.Rand, noise, last float64) []record.Pass {
	var all []record.Pass
	for g := 0; g < 12; g++ {
		rate := 100.0
		if g == 11 {
			rate = last
		}
		all = append(all, passes(cell("P1", fmt.Sprintf("G%02d", g), "L", "1"), noisy(r, rate, noise), noisy(r, rate, noise), noisy(r, rate, noise))...)
	}
	return all
}

// 95 % intervals of a cell hold the true rate in 93 to 97 of 100 cases, pooled and from
// the cell alone; docs/analysis.md states the figures of more rounds.
func TestCoverage(t *testing.T) {
	n := rounds(100)
	r := rand.New(rand.NewPCG(71, 72))
	for _, noise := range []float64{0.005, 0.01, 0.02} {
		pooled, own, all, isPooled := 0.0, 0.0, 0.0, 0.0
		var width, ownWidth float64
		for range n {
			for _, c := range analysis.Cells(twelve(r, noise, 100), analysis.Options{}) {
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
			if held < 0.93 || held > 0.97 {
				t.Errorf("noise %.1f %%: the %s interval holds %.1f %%", 100*noise, what, 100*held)
			}
		}
		if width > 0.6*ownWidth {
			t.Errorf("pooling narrows the interval from %.4f to %.4f only", ownWidth/all, width/all)
		}
	}
}

// Error rates of the calls of one pair, with a spread pooled over twelve cells: an equal
// pair is called faster or slower at most 5 times in 100, and a pair that differs by the
// threshold is called a tie at most 5 times in 100.
func TestErrorRatesOfCalls(t *testing.T) {
	n := rounds(40)
	r := rand.New(rand.NewPCG(73, 74))
	for _, noise := range []float64{0.002, 0.004, 0.01} {
		for _, diff := range []float64{0, 0.005, 0.01, 0.02, 0.03} {
			count := map[compare.Call]int{}
			for range n {
				cells := analysis.Cells(twelve(r, noise, 100*(1+diff)), analysis.Options{})
				pair := []analysis.Cell{cells[0], cells[11]}
				m, err := compare.Margins(pair, "gpu", "G00", analysis.Average, analysis.Options{})
				if err != nil {
					t.Fatal(err)
				}
				count[m[0].Call]++
			}
			share := func(c compare.Call) float64 { return float64(count[c]) / float64(n) }
			t.Logf("noise %.1f %%, difference %.1f %%: faster %.1f %%, slower %.1f %%, tie %.1f %%, undecided %.1f %%", 100*noise, 100*diff,
				100*share(compare.Faster), 100*share(compare.Slower), 100*share(compare.Tie), 100*share(compare.Undecided))
			slack := 3 * math.Sqrt(0.05*0.95/float64(n))
			if diff == 0 && share(compare.Faster)+share(compare.Slower) > 0.05+slack {
				t.Errorf("equal cells are told apart in %.1f %%", 100*(share(compare.Faster)+share(compare.Slower)))
			}
			if diff >= 0.01 && share(compare.Tie) > 0.05+slack {
				t.Errorf("a difference of %.1f %% is called a tie in %.1f %%", 100*diff, 100*share(compare.Tie))
			}
			if diff > 0 && share(compare.Slower) > 0.025+slack {
				t.Errorf("the faster one is called slower in %.1f %%", 100*share(compare.Slower))
			}
		}
	}
}
