package analysis_test

import (
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/internal/testlab"
	"capd.example/record"
)

func TestRepeats(t *testing.T) {
	r := testlab.Rand(61, 62)
	var all []record.Pass
	for i := 0; i < 40; i++ {
		g := string(rune('A'+i%20)) + "1"
		noise := 0.004
		if i >= 20 {
			noise = 0.0045
		}
		p := passes(cell("P1", g, "Lanterns", "1"), noisy(r, 100, noise), noisy(r, 100, noise), noisy(r, 100, noise))
		for k := range p {
			p[k].StartedAt = time.Date(2026, time.Month(3+i/20), 2, 3, k, i, 0, time.UTC)
			p[k].System = string(rune('a' + i/20))
			p[k].ID += p[k].System
		}
		all = append(all, p...)
	}
	for _, x := range analysis.Repeats(all, analysis.Options{}) {
		if x.Metric != analysis.Average {
			continue
		}
		if x.Sets != 40 || x.DF != 80 || x.SD < 0.003 || x.SD > 0.006 || len(x.Months) != 2 || x.Months[0].Month != "2026-03" || x.Months[0].Sets != 20 {
			t.Errorf("%+v", x)
		}
		// stats.SampleSize agrees: that many passes find this difference.
		if x.Resolves < 2*x.SD || x.Resolves > 3*x.SD {
			t.Errorf("resolves %v with %v", x.Resolves, x.SD)
		}
		return
	}
	t.Error("nothing about the average")
}

// A set that is left out of the spread of a bench is left out of everything that stands beside it,
// and said with its own spread.
func TestSetsLeftOutAreInNoFigure(t *testing.T) {
	var all []record.Pass
	for i := range 12 {
		by := 0.001
		if i == 5 {
			by = 0.05
		}
		p := passes(cell("P1", string(rune('A'+i))+"1", "Lanterns", "1"), 100*(1-by), 100, 100*(1+by))
		for k := range p {
			p[k].StartedAt = time.Date(2026, 3, 2, 3, k, i, 0, time.UTC)
		}
		all = append(all, p...)
	}
	for _, x := range analysis.Repeats(all, analysis.Options{}) {
		if x.Metric != analysis.Average {
			continue
		}
		m := x.Months[0]
		if x.LeftOut != 1 || x.Sets != 11 || x.DF != 22 || m.Sets != 11 || m.SD != x.SD ||
			x.LeftOutSD < 0.049 || x.LeftOutSD > 0.051 {
			t.Errorf("%+v", x)
		}
		return
	}
	t.Error("nothing about the average")
}
