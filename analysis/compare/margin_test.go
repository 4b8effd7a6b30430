package compare_test

import (
	"math"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/internal/testlab"
	"capd.example/record"
)

func compareOne(t *testing.T, p []record.Pass, by, base string, o analysis.Options) compare.Margin {
	t.Helper()
	m, err := compare.Margins(analysis.Cells(p, o), by, base, analysis.Average, o)
	if err != nil || len(m) != 1 {
		t.Fatalf("%d margins, %v", len(m), err)
	}
	return m[0]
}

// Case 1 of testdata/checks/log_ratio.json has its own test in package stats; here the
// same numbers go through cells, with each cell's own spread.
func TestMarginIsWelchOnLogarithms(t *testing.T) {
	p := append(passes(cell("P1", "G1", "Lanterns", "1"), 100, 101, 99.5), passes(cell("P1", "G2", "Lanterns", "1"), 108, 109.5, 107.2)...)
	m := compareOne(t, p, "gpu", "G1", analysis.Options{})
	if m.Base != "G1" || m.Value != "G2" || m.Call != compare.Faster || m.Factors["gpu"] != "" || m.Factors["cpu"] != "P1" {
		t.Errorf("%+v", m)
	}
	ratio := math.Cbrt(108*109.5*107.2) / math.Cbrt(100*101*99.5)
	near(t, "margin", float64(m.Margin), ratio-1, 1e-12)
	if !(m.CILow < m.Margin && m.Margin < m.CIHigh) || math.Abs(float64(m.Fieller.Low-m.CILow)) > 5e-4 || math.Abs(float64(m.Fieller.High-m.CIHigh)) > 5e-4 {
		t.Errorf("%+v", m)
	}
	back := compareOne(t, p, "gpu", "G2", analysis.Options{})
	near(t, "the other way round", (1+float64(back.Margin))*(1+float64(m.Margin)), 1, 1e-12)
	near(t, "its limit", (1+float64(back.CILow))*(1+float64(m.CIHigh)), 1, 1e-9)
	if back.Call != compare.Slower {
		t.Errorf("%+v", back)
	}
}

func TestCalls(t *testing.T) {
	for _, c := range []struct {
		name string
		a, b []float64
		want compare.Call
		why  string
	}{
		{"clear", []float64{100, 100.1, 99.9}, []float64{110, 110.1, 109.9}, compare.Faster, "more than the noise of the passes explains"},
		{"slower", []float64{100, 100.1, 99.9}, []float64{90, 90.1, 89.9}, compare.Slower, "more than the noise of the passes explains"},
		{"proven the same", []float64{100, 100.01, 99.99}, []float64{100.1, 100.11, 100.09}, compare.Tie, "below 1 %"},
		{"small but certain", []float64{100, 100.01, 99.99}, []float64{100.5, 100.51, 100.49}, compare.Tie, "below 1 %"},
		{"too noisy", []float64{100, 101, 99}, []float64{100.5, 101.5, 99.5}, compare.Undecided, "neither"},
		{"one pass", []float64{100, 100.1, 99.9}, []float64{110}, compare.Undecided, "one pass alone of G2"},
		{"no spread", []float64{100, 100}, []float64{110, 110}, compare.Undecided, "no spread at all"},
		{"no spread in one", []float64{100, 100, 100}, []float64{110, 110.1, 109.9}, compare.Faster, "more than the noise of the passes explains"},
	} {
		m := compareOne(t, append(passes(cell("P1", "G1", "L", "1"), c.a...), passes(cell("P1", "G2", "L", "1"), c.b...)...), "gpu", "G1", analysis.Options{})
		if m.Call != c.want || !strings.Contains(m.Reason, c.why) {
			t.Errorf("%s: %s, %s", c.name, m.Call, m.Reason)
		}
	}
}

func TestCompareBorders(t *testing.T) {
	p := append(passes(cell("P1", "G1", "L", "1"), 100, 101), passes(cell("P1", "G2", "L", "2"), 100, 101)...)
	cells := analysis.Cells(p, analysis.Options{})
	if m, err := compare.Margins(cells, "gpu", "G1", analysis.Average, analysis.Options{}); err != nil || len(m) != 0 {
		t.Errorf("cells that differ in two factors: %+v %v", m, err)
	}
	for _, c := range [][3]string{{"gpu", "G9", analysis.Average}, {"colour", "", analysis.Average}, {"gpu", "G1", "speed"}} {
		if _, err := compare.Margins(cells, c[0], c[1], c[2], analysis.Options{}); err == nil {
			t.Errorf("%v: no error", c)
		}
	}
	bad := passes(cell("P1", "G2", "L", "1"), 100)
	bad[0].Verdict = record.VerdictBad
	m := compareOne(t, append(p[:2:2], bad...), "gpu", "", analysis.Options{})
	if m.Call != compare.Undecided || m.Margin.Known() || !strings.Contains(m.Reason, "no usable pass of G2") {
		t.Errorf("%+v", m)
	}
	ms, _ := compare.Margins(analysis.Cells(append(passes(cell("P1", "G1", "L", "1"), 100, 100.1), passes(cell("P1", "G2", "L", "1"), 120, 120.1)...), analysis.Options{}), "gpu", "G1", "p99_ms", analysis.Options{})
	if len(ms) != 1 || ms[0].Call != compare.Faster || ms[0].Margin > 0 {
		t.Errorf("shorter frame times: %+v", ms)
	}
}

// A pooled spread resolves what three passes alone cannot, and a table of equal parts
// gives no false call.
func TestComparePooled(t *testing.T) {
	r := testlab.Rand(7, 8)
	var all []record.Pass
	for i, g := range []string{"G1", "G2", "G3", "G4", "G5", "G6", "G7", "G8", "G9", "G10", "G11", "G12"} {
		rate := 100.0
		if i == 11 {
			rate = 102
		}
		all = append(all, passes(cell("P1", g, "L", "1"), noisy(r, rate, 0.004), noisy(r, rate, 0.004), noisy(r, rate, 0.004))...)
	}
	margins, err := compare.Margins(analysis.Cells(all, analysis.Options{}), "gpu", "G1", analysis.Average, analysis.Options{})
	if err != nil || len(margins) != 11 {
		t.Fatal(len(margins), err)
	}
	for _, m := range margins {
		want := m.Call == compare.Tie || m.Call == compare.Undecided
		if m.Value == "G12" {
			want = m.Call == compare.Faster
		}
		if !want {
			t.Errorf("%s: %s, %s", m.Value, m.Call, m.Reason)
		}
	}
}
