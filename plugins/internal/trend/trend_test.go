package trend

import (
	"math"
	"testing"

	"capd.example/internal/testlab"
)

// Values of R and scipy, see testdata/checks.
func TestAgainstReference(t *testing.T) {
	testlab.Checks(t, "mann_kendall", func(t *testing.T, c testlab.Case) {
		var x []float64
		c.In(t, "x", &x)
		got := Of(x)
		if len(x) < 4 {
			if got.P != 1 {
				t.Errorf("p of %d values is %g", len(x), got.P)
			}
			return
		}
		c.Want(t, "Z", got.Z)
		c.Want(t, "sen_slope", got.Slope)
		c.Want(t, "p_two_sided", got.P)
	})
}

func TestLongSeriesAndHoles(t *testing.T) {
	x := make([]float64, 5000)
	for i := range x {
		x[i] = 3 + 0.01*float64(i)
		if i%7 == 0 {
			x[i] = math.NaN()
		}
	}
	if got := Of(x); math.Abs(got.Total-49.99) > 0.2 || got.P > 1e-9 {
		t.Errorf("got %+v", got)
	}
}
