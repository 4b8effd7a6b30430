package analysis_test

import (
	"fmt"
	"math"
	"testing"

	"capd.example/analysis"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/stats"
)

// spreadOut returns three passes of a cell whose logarithms have the given standard
// deviation about the rate, exactly.
func spreadOut(c map[string]string, rate, sd float64) []record.Pass {
	return passes(c, rate*math.Exp(-sd), rate, rate*math.Exp(sd))
}

func TestRepeatabilityPoolsOtherCells(t *testing.T) {
	var history []record.Pass
	for i, sd := range []float64{0.004, 0.005, 0.006, 0.005} {
		history = append(history, spreadOut(cell("p", "g", "a", fmt.Sprint(i)), 100, sd)...)
	}
	own := spreadOut(cell("p", "g", "a", "own"), 90, 0.2) // must not count for itself
	history = append(history, own[:2]...)
	history = append(history, spreadOut(cell("p", "g", "another game", "x"), 50, 0.3)...)
	bad := spreadOut(cell("p", "g", "a", "0"), 100, 0.4)
	for i := range bad {
		bad[i].ID, bad[i].Verdict = fmt.Sprint("bad", i), record.VerdictBad
	}
	got := analysis.Repeatability(own[2], append(history, bad...), analysis.Options{})
	want, df := stats.PoolSD([]float64{0.004, 0.005, 0.006, 0.005}, []float64{2, 2, 2, 2})
	for _, m := range []string{analysis.Average, analysis.Low1} {
		near(t, m, got[m].SD, want, 1e-9)
		near(t, m+" degrees of freedom", got[m].DF, df, 0)
		if got[m].From == "" {
			t.Errorf("%s does not say what it is from", m)
		}
	}
}

func TestRepeatabilityOfUnlikeCells(t *testing.T) {
	var history []record.Pass
	for i, sd := range []float64{0.0002, 0.0003, 0.06, 0.07, 0.0002, 0.05} {
		history = append(history, spreadOut(cell("p", "g", "a", fmt.Sprint(i)), 100, sd)...)
	}
	p := passes(cell("p", "g", "a", "own"), 90)[0]
	if got := analysis.Repeatability(p, history, analysis.Options{}); len(got) != 0 {
		t.Errorf("cells without one spread were pooled: %+v", got)
	}
	if got := analysis.Repeatability(p, nil, analysis.Options{}); len(got) != 0 {
		t.Errorf("from no history: %+v", got)
	}
}

// One call is made after every pass on the bench, so it must be cheap.
func BenchmarkRepeatability(b *testing.B) {
	rng := testlab.Rand(1, 2)
	var history []record.Pass
	for c := range 6 {
		for g := range 5 {
			for r := range 3 {
				rate := 1 / (1/float64(90+30*c) + 1/float64((60+50*g)*(r+1)))
				history = append(history, passes(cell(fmt.Sprint("p", c), fmt.Sprint("g", g), "a", fmt.Sprint(r)),
					rate*math.Exp(0.01*rng.NormFloat64()), rate*math.Exp(0.01*rng.NormFloat64()), rate*math.Exp(0.01*rng.NormFloat64()))...)
			}
		}
	}
	p := history[len(history)-1]
	for b.Loop() {
		analysis.Repeatability(p, history[:len(history)-1], analysis.Options{})
	}
}
