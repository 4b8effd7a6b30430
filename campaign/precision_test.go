package campaign_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"capd.example/campaign"
	"capd.example/campaign/precision"
	"capd.example/record"
)

// The normal formula against Lehr's rule of thumb, n = 16 / (difference / sd)^2 per group
// for 80 % power at the 5 % level (Statistics in Medicine 11, 1099-1102, 1992; from
// memory): its 16 is 15.7 rounded up. The t test needs more with few passes.
func TestWhatPassesCanResolve(t *testing.T) {
	for n := 2; n <= 40; n++ {
		own, pooled := precision.Resolve(n, precision.DefaultWish)
		lehr := math.Sqrt(16 / float64(n))
		if math.Abs(pooled/lehr-1) > 0.01 {
			t.Errorf("%d passes resolve %.3f sd, by Lehr's rule %.3f", n, pooled, lehr)
		}
		if own <= pooled {
			t.Errorf("%d passes with a spread of their own resolve %.3f sd, with a known one %.3f", n, own, pooled)
		}
	}
	// Two-sample t test, 80 % power, 5 % level, 17 per group find one standard deviation
	// (Cohen, Statistical Power Analysis, 1988, table 2.4.1; from memory).
	if own, _ := precision.Resolve(17, precision.DefaultWish); math.Abs(own-1) > 0.01 {
		t.Errorf("17 passes resolve %.3f sd, want 1", own)
	}
	if own, _ := precision.Resolve(16, precision.DefaultWish); own <= 1 {
		t.Errorf("16 passes resolve %.3f sd, want more than 1", own)
	}
}

// rated gives passes of a cell with the given average rates.
func rated(p *campaign.Plan, cell int, from int, rates ...float64) []record.Pass {
	var out []record.Pass
	for k, r := range rates {
		pass := made(p, cell, from+k, record.Clean)
		pass.Metrics.AvgFPS = r
		out = append(out, pass)
	}
	return out
}

func find(t *testing.T, p *campaign.Plan, pairs ...string) int {
	t.Helper()
	want := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		want[pairs[i]] = pairs[i+1]
	}
	cells, err := p.Find(want)
	if err != nil || len(cells) != 1 {
		t.Fatalf("%v: %v, %v", pairs, cells, err)
	}
	return cells[0]
}

func TestPrecision(t *testing.T) {
	p := plan(t, parse(t, small))
	r := rand.New(rand.NewPCG(7, 7))
	var passes []record.Pass
	// Every cell of Copper Drift low, three passes at 0.5 % repeatability: the cards differ by
	// 20 %, the processors by nothing.
	for _, cpu := range []string{"B8", "B12"} {
		for i, gpu := range []string{"A60", "A70"} {
			cell := find(t, p, "cpu", cpu, "gpu", gpu, "game", "Copper Drift", "preset", "low")
			base := 100 * math.Pow(1.2, float64(i))
			passes = append(passes, rated(p, cell, len(passes), base*math.Exp(0.005*r.NormFloat64()), base*math.Exp(0.005*r.NormFloat64()), base*math.Exp(0.005*r.NormFloat64()))...)
		}
	}
	needs := precision.Of(p.Cover(passes), precision.DefaultWish)
	some := find(t, p, "cpu", "B8", "gpu", "A60", "game", "Copper Drift", "preset", "low")
	n := needs[some]
	if n.Have != 3 || n.DF != 8 || !(n.SD > 0.002 && n.SD < 0.009) || n.From != "4 cells of Copper Drift" {
		t.Errorf("%+v", n)
	}
	// Only between the cards: decided, so nothing more is needed.
	cards := precision.DefaultWish
	cards.By = []string{"gpu"}
	if d := precision.Of(p.Cover(passes), cards)[some]; !d.Decided || d.More != 0 || d.Open != 0 {
		t.Errorf("a margin of 20 %% at 0.5 %% is not decided: %+v", d)
	}
	// Between the processors nothing differs, and three passes cannot show that it is less
	// than 0.1 %.
	fine := precision.DefaultWish
	fine.By, fine.Difference = []string{"cpu"}, 0.001
	if d := precision.Of(p.Cover(passes), fine)[some]; d.Decided || d.More == 0 || d.Passes < 100 {
		t.Errorf("a difference of 0.1 %% at 0.5 %% takes %d passes", d.Passes)
	}
	empty := find(t, p, "cpu", "B8", "gpu", "A60", "game", "Salt Flats", "preset", "low")
	if e := needs[empty]; e.Have != 0 || !math.IsInf(e.Gain, 1) || e.From != "4 cells of all games" {
		t.Errorf("%+v", e)
	}
}

func TestByPrecisionPutsFirstWhatAddsMost(t *testing.T) {
	p := plan(t, parse(t, small))
	two := find(t, p, "cpu", "B8", "gpu", "A60", "game", "Copper Drift", "preset", "low")
	three := find(t, p, "cpu", "B8", "gpu", "A70", "game", "Copper Drift", "preset", "low")
	passes := append(rated(p, two, 0, 100, 100.9), rated(p, three, 2, 100.4, 99.6, 100.2)...)
	cover := p.Cover(passes)
	order := precision.Rank(cover, campaign.Position{Cell: -1}, precision.DefaultWish)
	if len(order) != p.Len() {
		t.Fatalf("%d cells, want all %d", len(order), p.Len())
	}
	last := order[len(order)-2:]
	if last[0].Cell != two || last[1].Cell != three {
		t.Errorf("two passes before three and both after the cells without: %+v", last)
	}
	for _, n := range order[:len(order)-2] {
		if n.Have != 0 {
			t.Errorf("cell %d with %d passes comes before one without", n.Cell, n.Have)
		}
	}
	if last[0].Then >= last[0].Width || last[0].Gain <= last[1].Gain {
		t.Errorf("%+v", last)
	}
	skipped := precision.Rank(cover, campaign.Position{Cell: -1, Skipped: map[int]bool{two: true}}, precision.DefaultWish)
	if len(skipped) != p.Len()-1 {
		t.Errorf("a skipped cell is listed")
	}
	for _, n := range precision.Of(p.Cover(nil), precision.DefaultWish) {
		if n.Passes != 0 || !math.IsNaN(n.SD) || n.Decided {
			t.Fatalf("nothing is recorded: %+v", n)
		}
	}
}
