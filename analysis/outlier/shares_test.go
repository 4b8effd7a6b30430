package outlier

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// The shares sum to one and no other division finds more: moving level from any test to
// any other loses.
func TestShares(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const level = 0.009
		sizes := rapid.SliceOfN(rapid.Float64Range(0.2, 30), 1, 60).Draw(t, "sizes")
		got := shares(sizes, level)
		sum := 0.0
		for _, x := range got {
			sum += x
		}
		if math.Abs(sum-1) > 1e-6 {
			t.Fatalf("the shares sum to %g", sum)
		}
		// Power of a test by its level, one-sided as in the derivation.
		power := func(k int, share float64) float64 {
			if share <= 0 {
				return 0
			}
			return distuv.UnitNormal.CDF(sizes[k] + distuv.UnitNormal.Quantile(level*share/2))
		}
		i, j := rapid.IntRange(0, len(sizes)-1).Draw(t, "i"), rapid.IntRange(0, len(sizes)-1).Draw(t, "j")
		a, b := got[i], got[j]
		moved := 0.1 * a
		if i == j || moved < 1e-9 {
			return
		}
		if after, before := power(i, a-moved)+power(j, b+moved), power(i, a)+power(j, b); after > before+1e-6 {
			t.Fatalf("moving %g from %g to %g gains %g", moved, sizes[i], sizes[j], after-before)
		}
	})
	if got := shares(nil, 0.01); len(got) != 0 {
		t.Error(got)
	}
}
