package compare_test

import (
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
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
