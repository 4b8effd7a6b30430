package compare_test

import (
	"math"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/record"
)

func twoCards(game string, a, b float64) []record.Pass {
	return append(passes(cell("P1", "G1", game, "1"), a, a*1.002, a*0.998), passes(cell("P1", "G2", game, "1"), b, b*1.002, b*0.998)...)
}

func totals(t *testing.T, p []record.Pass, base string) []compare.Total {
	t.Helper()
	m, err := compare.Margins(analysis.Cells(p, analysis.Options{}), "gpu", base, analysis.Average, analysis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return compare.Totals(m, analysis.Options{})
}

// Fleming and Wallace 1986: two games at 2.0 and 0.5 give 1, from either side.
func TestTotalIsTheSameFromBothSides(t *testing.T) {
	p := append(twoCards("Lanterns", 100, 200), twoCards("Quarry", 100, 50)...)
	p = append(append(p, twoCards("Tides", 100, 200)...), append(twoCards("Vane", 100, 50), twoCards("Weir", 100, 100)...)...)
	for _, base := range []string{"G1", "G2"} {
		x := totals(t, p, base)
		if len(x) != 1 || len(x[0].Games) != 5 {
			t.Fatalf("%+v", x)
		}
		near(t, "total from "+base, float64(x[0].Margin), 0, 1e-12)
		if x[0].Call == compare.Faster || x[0].Call == compare.Slower {
			t.Errorf("%+v", x[0])
		}
		if !(x[0].SpreadLow < -0.4) || !(x[0].CILow > -0.02) {
			t.Errorf("spread %v, measurement %v", x[0].SpreadLow, x[0].CILow)
		}
	}
}

func TestTotalGames(t *testing.T) {
	p := append(twoCards("Lanterns", 100, 110), twoCards("Quarry", 100, 121)...)
	p = append(p, twoCards("Tides", 100, 133.1)...)
	x := totals(t, p, "G1")[0]
	near(t, "total", float64(x.Margin), 0.21, 1e-12)
	near(t, "without Tides", float64(x.Games[2].Without), math.Sqrt(1.1*1.21)-1, 1e-12)
	near(t, "its effect", float64(x.Games[2].Effect), 1.21/math.Sqrt(1.1*1.21)-1, 1e-12)
	if x.Call != compare.Faster || len(x.Missing) != 0 {
		t.Errorf("%+v", x)
	}
}

// Another card lacks a game: it says so, and the common games are there to compare by.
func TestTotalMissingGame(t *testing.T) {
	p := append(twoCards("Lanterns", 100, 110), twoCards("Quarry", 100, 150)...)
	p = append(p, passes(cell("P1", "G3", "Lanterns", "1"), 120, 120.3, 119.8)...)
	x := totals(t, p, "G1")
	if len(x) != 2 {
		t.Fatalf("%+v", x)
	}
	near(t, "common of G2", float64(x[0].Common), 0.1, 1e-12)
	if x[1].Value != "G3" || len(x[1].Missing) != 1 || x[1].Missing[0] != "Quarry" || !strings.Contains(x[1].Reason, "common games only") {
		t.Errorf("%+v", x[1])
	}
}

func TestTotalOfNothing(t *testing.T) {
	if x := compare.Totals(nil, analysis.Options{}); len(x) != 0 {
		t.Errorf("%+v", x)
	}
	x := totals(t, append(passes(cell("P1", "G1", "L", "1"), 100), passes(cell("P1", "G2", "L", "1"), 110)...), "G1")
	if len(x) != 1 || x[0].Call != compare.Undecided || x[0].Margin.Known() {
		t.Errorf("%+v", x)
	}
}
