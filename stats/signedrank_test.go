package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestSignedRankCritical holds the critical values of the signed-rank test, two-sided 5 %
// and 1 %, as printed in the usual tables after Wilcoxon & Wilcox (1964); from memory.
func TestSignedRankCritical(t *testing.T) {
	for _, c := range []struct{ n, five, one int }{
		{5, -1, -1}, {6, 0, -1}, {7, 2, -1}, {8, 3, 0}, {9, 5, 1}, {10, 8, 3}, {12, 13, 7},
		{15, 25, 15}, {20, 52, 37}, {25, 89, 68}, {30, 137, 109}, {40, 264, 220}, {50, 434, 373},
	} {
		if five, one := signedRankCritical(c.n, 0.025), signedRankCritical(c.n, 0.005); five != c.five || one != c.one {
			t.Errorf("n = %d: %d and %d, want %d and %d", c.n, five, one, c.five, c.one)
		}
	}
}

// TestPseudoMedianHandbook: depression scores before and after treatment, Hollander, Wolfe &
// Chicken (2014), examples 3.1, 3.3 and 3.4: estimate -0.46, interval of level 0.961 from
// -0.786 to -0.010; from memory.
func TestPseudoMedianHandbook(t *testing.T) {
	before := []float64{1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30}
	after := []float64{0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29}
	d := make([]float64, len(after))
	for i := range d {
		d[i] = after[i] - before[i]
	}
	e, err := PseudoMedian(d, 0.96)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(e.Value+0.46) > 1e-12 || math.Abs(e.Low+0.786) > 1e-12 || math.Abs(e.High+0.010) > 1e-12 {
		t.Errorf("%.4f (%.4f to %.4f)", e.Value, e.Low, e.High)
	}
	if e, err := PseudoMedian(d[:4], 0.95); err != nil || e.Defined {
		t.Errorf("four values allow no interval of 95 %%: %+v %v", e, err)
	}
}

// TestPseudoMedianMoves: a shift and a mirror image of the values shift and mirror the
// result.
func TestPseudoMedianMoves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1000, 1000), 6, 40).Draw(t, "x")
		shift := rapid.Float64Range(-1000, 1000).Draw(t, "shift")
		moved, mirrored := make([]float64, len(x)), make([]float64, len(x))
		for i, v := range x {
			moved[i], mirrored[i] = v+shift, -v
		}
		e, _ := PseudoMedian(x, 0.9)
		m, _ := PseudoMedian(moved, 0.9)
		r, _ := PseudoMedian(mirrored, 0.9)
		near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9 }
		if !near(m.Value, e.Value+shift) || !near(m.Low, e.Low+shift) || !near(m.High, e.High+shift) {
			t.Fatalf("shifted: %+v of %+v", m, e)
		}
		if !near(r.Value, -e.Value) || !near(r.Low, -e.High) || !near(r.High, -e.Low) {
			t.Fatalf("mirrored: %+v of %+v", r, e)
		}
		if !(e.Low <= e.Value && e.Value <= e.High) || e.Low < slices.Min(x) || e.High > slices.Max(x) {
			t.Fatalf("%+v", e)
		}
	})
}

// TestPseudoMedianCovers: of intervals from heavy-tailed samples the stated share holds the
// centre, counted out and approximated.
func TestPseudoMedianCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct{ n, rounds int }{{30, 2000}, {exactRanks + 1, 300}} {
		hit := 0
		for range c.rounds {
			x := make([]float64, c.n)
			for i := range x {
				x[i] = 7 + math.Tan(math.Pi*(rng.Float64()-0.5)) // Cauchy: it has no mean
			}
			e, err := PseudoMedian(x, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			if e.Low <= 7 && 7 <= e.High {
				hit++
			}
		}
		share := float64(hit) / float64(c.rounds)
		if sd := math.Sqrt(0.95 * 0.05 / float64(c.rounds)); math.Abs(share-0.95) > 4*sd {
			t.Errorf("n = %d: %.3f of the intervals hold the centre", c.n, share)
		}
	}
}
