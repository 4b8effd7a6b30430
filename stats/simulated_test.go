package stats_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/stats"
)

// ar1 is a first-order process of unit variance with lag-1 coefficient r.
func ar1(rng *rand.Rand, n int, r float64) []float64 {
	x := make([]float64, n)
	x[0] = rng.NormFloat64()
	for i := 1; i < n; i++ {
		x[i] = r*x[i-1] + math.Sqrt(1-r*r)*rng.NormFloat64()
	}
	return x
}

// The share of false alarms of the trend test on means of 100 frames is near its level
// although the frames are correlated; simulated_properties.json holds what another
// program found (R's generator and own code), to within the error of both.
func TestTrendOfMeansKeepsItsLevel(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(testlab.Root(), "testdata", "checks", "simulated_properties.json"))
	if err != nil {
		t.Fatal(err)
	}
	var facts map[string]json.RawMessage
	if err := json.Unmarshal(text, &facts); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(2026, 9))
	const sets = 300
	for _, r := range []float64{0.3, 0.6, 0.9} {
		var want float64
		if err := json.Unmarshal(facts[fmt.Sprintf("mk_false_alarm_60_bins_of_100_frames_ar%g", r)], &want); err != nil {
			t.Fatal(err)
		}
		alarms := 0
		for range sets {
			x := ar1(rng, 6000, r)
			means := make([]float64, 60)
			for i := range means {
				means[i] = plainMean(x[100*i : 100*(i+1)])
			}
			k, err := stats.MannKendall(means)
			if err != nil {
				t.Fatal(err)
			}
			if k.P < 0.05 {
				alarms++
			}
		}
		got := float64(alarms) / sets
		if limit := 4 * math.Sqrt(want*(1-want)/sets); math.Abs(got-want) > limit+0.005 {
			t.Errorf("coefficient %g: %.3f false alarms at the 5 %% level, simulated elsewhere %.3f", r, got, want)
		}
	}
}

// The effective size of a long first-order process is n (1-r)/(1+r).
func TestEffectiveSizeOfKnownProcess(t *testing.T) {
	rng := rand.New(rand.NewPCG(2026, 10))
	const n = 60000
	for _, r := range []float64{0, 0.3, 0.6, 0.9} {
		got, err := stats.EffectiveSize(ar1(rng, n, r))
		if want := stats.EffectiveSizeAR1(n, r); err != nil || math.Abs(got/want-1) > 0.2 {
			t.Errorf("coefficient %g: %.0f of %d, want about %.0f (%v)", r, got, n, want, err)
		}
	}
}

// The interval from ranks covers the quantile as often as it says, for any distribution.
func TestQuantileRanksCover(t *testing.T) {
	r, err := stats.QuantileRanks(1000, 0.99, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(2026, 11))
	truth := -math.Log(0.01) // the 99 % point of the exponential
	const sets = 4000
	inside := 0
	x := make([]float64, 1000)
	for range sets {
		below := 0
		for i := range x {
			x[i] = rng.ExpFloat64()
			if x[i] < truth {
				below++
			}
		}
		// x_(Low) <= truth < x_(High)
		if below >= r.Low && below < r.High {
			inside++
		}
	}
	if got := float64(inside) / sets; math.Abs(got-r.Coverage) > 4*math.Sqrt(r.Coverage*(1-r.Coverage)/sets) {
		t.Errorf("covered %.4f, says %.4f", got, r.Coverage)
	}
}
