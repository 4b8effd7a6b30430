package limit_test

import (
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/limit"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// A tenth of a simulated matrix is left out: 95 % intervals of what is predicted hold the
// truth, and cells bound by the card point to a measured one like them.
func TestPredict(t *testing.T) {
	r := testlab.Rand(51, 52)
	held, all, like := 0, 0, 0
	for range testlab.Rounds(t, 8, 100) {
		p, _ := bottleneck(r, wide8, wideG8, 7, 0.004, 3, nil)
		gone := map[string]bool{}
		for len(gone) < 6 {
			gone[p[3*r.IntN(64)].Tags.Value("cpu")+"/"+p[3*r.IntN(64)].Tags.Value("gpu")] = true
		}
		rest := []record.Pass{}
		truth := map[string]float64{}
		for _, x := range p {
			key := x.Tags.Value("cpu") + "/" + x.Tags.Value("gpu")
			if gone[key] {
				truth[key] += x.Metrics.AvgFPS / 3
			} else {
				rest = append(rest, x)
			}
		}
		got, models := limit.Predict(analysis.Cells(rest, analysis.Options{}), analysis.Options{})
		if len(got) != len(truth) || len(models) != 1 {
			t.Fatalf("%d predictions of %d", len(got), len(truth))
		}
		for _, x := range got {
			y := truth[x.Factors["cpu"]+"/"+x.Factors["gpu"]]
			all++
			if !x.Predicted || !x.CILow.Known() || float64(x.CILow) <= y && y <= float64(x.CIHigh) {
				held++
			}
			if x.Like != "" {
				like++
			}
		}
	}
	t.Logf("%d of %d predictions hold; %d are like a measured cell", held, all, like)
	if held < all*92/100 || like == 0 {
		t.Errorf("%d of %d hold, %d are like a measured cell", held, all, like)
	}
}

var (
	wide8  = []float64{88, 97, 109, 120, 135, 150, 171, 205}
	wideG8 = []float64{58, 70, 84, 101, 118, 142, 176, 220}
)
