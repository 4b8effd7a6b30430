package stats

import (
	"math"
	"testing"
)

// The table says what the integral says, within and between its panels and beyond them.
func TestRangeTableIsTheIntegral(t *testing.T) {
	// The integral's own error grows with k.
	for k, good := range map[int]float64{2: 2e-14, 3: 2e-14, 5: 1e-13, 10: 1e-11, tabled: 1e-10, 200: 0} {
		for w := 0.01; w < panels*panelWidth+2; w += 0.137 {
			if got, want := rangeTable(k).at(w), rangeCDF(w, k); math.Abs(got-want) > good {
				t.Errorf("of %d at %g: %.17g, want %.17g", k, w, got, want)
			}
		}
	}
	for _, w := range []float64{0, -1, math.NaN()} {
		if got := rangeTable(3).at(w); got != 0 {
			t.Errorf("at %g: %g", w, got)
		}
	}
	if got := rangeTable(3).at(math.Inf(1)); got != 1 {
		t.Errorf("at infinity: %g", got)
	}
}

// The quantile is the one of the double integral.
func TestStudentizedRangeByTheDoubleIntegral(t *testing.T) {
	for _, c := range []struct {
		k  int
		df float64
	}{{2, 1}, {3, 6}, {5, 38}, {10, 120.5}, {4, math.Inf(1)}} {
		q := StudentizedRange(0.95, c.k, c.df)
		if p := newChi(c.df).integrate(func(s float64) float64 { return rangeCDF(q*s, c.k) }, 8/q); math.Abs(p-0.95) > 1e-12 {
			t.Errorf("of %d with %g degrees of freedom: %.15g at %g", c.k, c.df, p, q)
		}
	}
}

func BenchmarkStudentizedRange(b *testing.B) {
	for b.Loop() {
		StudentizedRange(0.95, 5, 38)
	}
}
