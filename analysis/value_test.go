package analysis_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/record"
)

func TestReadPrices(t *testing.T) {
	p, err := compare.ReadPrices(strings.NewReader("\ufeffpart,price,currency,date\nG1,199.90,EUR,2026-03-01\nG2,399,EUR,2026-03-02\n"))
	if err != nil || len(p) != 2 || p[0] != (compare.Price{Part: "G1", Amount: 199.9, Currency: "EUR", Date: "2026-03-01"}) {
		t.Errorf("%+v %v", p, err)
	}
	for _, c := range []struct{ text, want string }{
		{"", "price list"}, {"part,price\n", `no column "currency"`},
		{"part,price,currency,date\nG1,free,EUR,2026-03-01\n", `line 2: "free" is no price`},
		{"part,price,currency,date\nG1,-3,EUR,2026-03-01\n", "no price above zero"},
		{"part,price,currency,date\nG1,1,EUR,yesterday\n", "no date"},
		{"part,price,currency,date\nG1,1,EUR,2026-03-01\nG2,1,USD,2026-03-01\n", "line 3: USD beside EUR"},
		{"part,price,currency,date\nG1,1,EUR,2026-03-01\nG1,2,EUR,2026-03-01\n", "has a price already"},
	} {
		if _, err := compare.ReadPrices(strings.NewReader(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v", c.text, err)
		}
	}
}

// G2 is faster and dearer than G1; G3 costs more than G2 for the same rate; G4 has no price.
func TestValues(t *testing.T) {
	var all []record.Pass
	for _, game := range []string{"Lanterns", "Quarry"} {
		for g, rate := range map[string]float64{"G1": 60, "G2": 90, "G3": 90.02, "G4": 200} {
			all = append(all, passes(cell("P1", g, game, "1"), rate, rate*1.0003, rate*0.9997)...)
		}
	}
	prices := []compare.Price{{Part: "G1", Amount: 200, Currency: "EUR", Date: "2026-03-01"}, {Part: "G2", Amount: 360, Currency: "EUR", Date: "2026-03-01"}, {Part: "G3", Amount: 450, Currency: "EUR", Date: "2026-03-01"}}
	v, err := compare.Values(analysis.Cells(all, analysis.Options{}), "gpu", prices, analysis.Options{})
	if err != nil || len(v) != 4 {
		t.Fatalf("%+v %v", v, err)
	}
	near(t, "cost per frame", float64(v[1].CostPerFrame), 4, 1e-6)
	if !v[0].Frontier || !v[1].Frontier || v[0].NotWorth != "" || v[1].NotWorth != "" {
		t.Errorf("%+v", v[:2])
	}
	// G3 is faster by a hair, so on the frontier of the means; but the hair is a tie.
	if v[2].NotWorth != "G2" || !strings.Contains(v[2].Reason, "25 % more than G2") {
		t.Errorf("%+v", v[2])
	}
	if v[3].Frontier || v[3].CostPerFrame.Known() || v[3].Reason != "no price is given" {
		t.Errorf("%+v", v[3])
	}
}

// Without proof of a tie nothing is called not worth its price.
func TestValuesUndecided(t *testing.T) {
	all := append(passes(cell("P1", "G1", "L", "1"), 100, 103, 98), passes(cell("P1", "G2", "L", "1"), 101, 98, 104)...)
	prices := []compare.Price{{Part: "G1", Amount: 200, Currency: "EUR"}, {Part: "G2", Amount: 360, Currency: "EUR"}}
	v, err := compare.Values(analysis.Cells(all, analysis.Options{}), "gpu", prices, analysis.Options{})
	if err != nil || v[0].NotWorth != "" || v[1].NotWorth != "" {
		t.Errorf("%+v %v", v, err)
	}
}

func TestThresholds(t *testing.T) {
	cells := analysis.Cells(passes(cell("P1", "G1", "L", "1"), 100, 100.5, 99.5), analysis.Options{})
	got := compare.Thresholds(cells, []float64{60, 100, 144})
	for i, want := range []compare.Holds{compare.HoldsYes, compare.HoldsUnclear, compare.HoldsNo} {
		if got[i].Average != want {
			t.Errorf("%g Hz: %s, want %s", got[i].RefreshHz, got[i].Average, want)
		}
	}
	if got[0].Low1 != compare.HoldsYes || got[1].Low1 != compare.HoldsNo {
		t.Errorf("%+v", got)
	}
	none := compare.Thresholds(analysis.Cells(passes(cell("P1", "G1", "L", "1"), 100), analysis.Options{}), []float64{60})
	if none[0].Average != compare.HoldsUnclear {
		t.Errorf("one pass: %+v", none)
	}
}

// A tenth of a simulated matrix is left out: 95 % intervals of what is predicted hold the
// truth, and cells bound by the card point to a measured one like them.
func TestPredict(t *testing.T) {
	r := rand.New(rand.NewPCG(51, 52))
	held, all, like := 0, 0, 0
	for round := 0; round < 25; round++ {
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

func TestRepeats(t *testing.T) {
	r := rand.New(rand.NewPCG(61, 62))
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
