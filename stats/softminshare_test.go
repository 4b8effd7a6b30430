package stats_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"capd.example/stats"
)

// Where the truth is known, the interval of the share holds it, and it closes as the
// table grows and the noise falls.
func TestShareInterval(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	c, g, q := []float64{90, 120, 150, 200}, []float64{80, 110, 160, 230}, 6.0
	held, all, width := 0, 0, 0.0
	for round := 0; round < 60; round++ {
		var p []stats.SoftMinPoint
		for i := range c {
			for j := range g {
				y, _ := stats.SoftMin(c[i], g[j], q)
				p = append(p, stats.SoftMinPoint{C: i, G: j, Y: y * math.Exp(0.003*r.NormFloat64())})
			}
		}
		fit, err := stats.FitSoftMin(p, len(c), len(g))
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range p {
			low, high := fit.ShareInterval(p, i, fit.Sigma, stats.TQuantile(0.975, fit.DF))
			_, share := stats.SoftMin(c[v.C], g[v.G], q)
			all++
			width += high - low
			if low-1e-9 <= share && share <= high+1e-9 {
				held++
			}
		}
	}
	if part := float64(held) / float64(all); part < 0.95 {
		t.Errorf("%.1f %% of the intervals hold the share", 100*part)
	}
	if mean := width / float64(all); mean > 0.25 {
		t.Errorf("the mean width is %.2f", mean)
	}
	if low, high := (stats.SoftMinFit{}).ShareInterval(nil, 0, 1, 2); low != 0 || high != 1 {
		t.Errorf("no fit: %g to %g", low, high)
	}
}
