package compare_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// evenTable simulates 16 cells in each of six settings whose rates lie within a few per
// mille of each other, with 0.6 % noise of a pass and three passes.
func evenTable(r *rand.Rand) []record.Pass {
	var all []record.Pass
	for s := range 6 {
		for g := range 17 {
			rate := 100 * (1 + 0.002*float64(g%8-4)/4)
			all = append(all, passes(cell("P1", fmt.Sprintf("G%02d", g), "L", fmt.Sprint(s)), noisy(r, rate, 0.006), noisy(r, rate, 0.006), noisy(r, rate, 0.006))...)
		}
	}
	return all
}

// Of 96 margins within a few per mille at 0.6 % noise and three passes some are shown to be
// ties within 1 %, and four of five within the threshold that 'auto' takes; ties that are no
// ties are called at most as often as the level says. Adjusted over the table there was none.
func TestTiesAreShown(t *testing.T) {
	r := testlab.Rand(11, 12)
	for range 3 {
		o := analysis.Options{}
		cells := analysis.Cells(evenTable(r), o)
		count := func(o analysis.Options) (ties int, margins []compare.Margin) {
			margins, err := compare.Margins(cells, "gpu", "G04", analysis.Average, o)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range margins {
				if m.Call == compare.Tie {
					ties++
				}
				if (m.AtMost < analysis.Number(cmpOr(o.Tie, 0.01))) != (m.Call == compare.Tie) || m.AtMost < m.Margin || m.AtMost < -m.Margin {
					t.Errorf("call %s with a bound of %.4f, threshold %g, margin %.4f", m.Call, m.AtMost, o.Tie, m.Margin)
				}
			}
			return ties, margins
		}
		ties, margins := count(o)
		auto := compare.ResolvedTie(margins, o)
		resolved, _ := count(analysis.Options{Tie: float64(auto)})
		t.Logf("%d of %d are ties within 1 %%, %d within %.1f %%", ties, len(margins), resolved, 100*auto)
		if len(margins) != 96 || ties < 5 || float64(resolved) < 0.6*96 || auto < 0.012 || auto > 0.017 {
			t.Errorf("%d of %d are ties within 1 %%, %d within %.1f %%", ties, len(margins), resolved, 100*auto)
		}
	}
}

func cmpOr(a, b float64) float64 {
	if a > 0 {
		return a
	}
	return b
}
