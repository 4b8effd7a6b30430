package compare_test

import (
	"math"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/internal/testlab"
)

// Error rates of the calls of one pair, with a spread pooled over twelve cells: an equal
// pair is called faster or slower at most 5 times in 100, and a pair that differs by the
// threshold is called a tie at most 5 times in 100.
func TestErrorRatesOfCalls(t *testing.T) {
	n := testlab.Rounds(t, 60, 200)
	noises, differences := []float64{0.004}, []float64{0, 0.01, 0.02}
	if testlab.Long(t) {
		noises, differences = []float64{0.002, 0.004, 0.01}, []float64{0, 0.005, 0.01, 0.02, 0.03}
	}
	r := testlab.Rand(73, 74)
	for _, noise := range noises {
		for _, diff := range differences {
			count := map[compare.Call]int{}
			for range n {
				cells := analysis.Cells(testlab.Alike(r, noise, 100*(1+diff)), analysis.Options{})
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
