package critical_test

import (
	"math"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"capd.example/internal/critical"
	"capd.example/record"
)

func metrics(avg, low float64) record.Metrics {
	return record.Metrics{Frames: 6000, AvgFPS: avg, Low1FPS: low, P99MS: 1000 / low}
}

// The critical range factors f(n) of ISO 5725-6:1994, Table 1, at 95 % (from memory): 2.8,
// 3.3 and 3.6 for 2, 3 and 4 results.
func TestCriticalRange(t *testing.T) {
	r := critical.Default
	r.Probability = 0.95
	spread := map[string]record.Spread{critical.Average: {SD: 0.01, DF: 1e6, From: "a table"}}
	var passes []record.Metrics
	for n, f := range []float64{0, 0, 2.8, 3.3, 3.6} {
		if n == 0 {
			continue
		}
		passes = append(passes, metrics(100, 80))
		if n == 1 {
			continue
		}
		got := math.Log1p(r.Judge(passes, spread)[0].LimitPercent/100) / 0.01
		if math.Abs(got-f) > 0.05 {
			t.Errorf("factor of %d results %.3f, want %.1f", n, got, f)
		}
	}
}

func TestRule(t *testing.T) {
	few := metrics(100, 60) // one long hitch makes the tail
	few.P99MS, few.Hitches = 10.5, 1
	sparse := metrics(100, 80)
	sparse.Low1Sparse = true
	known := map[string]record.Spread{critical.Average: {SD: 0.0001, DF: 20, From: "x"}, critical.Low1: {SD: 0.2, DF: 20, From: "x"}}
	for _, c := range []struct {
		name      string
		passes    []record.Metrics
		spread    map[string]record.Spread
		avg, low1 string // in the text, or in what is unable
		ok        [2]bool
	}{
		{"no history", []record.Metrics{metrics(100, 80), metrics(102, 85)}, nil, "within 2.0 % (limit 3.0 %, stated limit", "within 6.3 % (limit 10.0 %", [2]bool{true, true}},
		{"beyond", []record.Metrics{metrics(100, 80), metrics(104, 90)}, nil, "differ by 4.0 %, more than 3.0 %", "(80.0, 90.0 FPS) differ by 12.5 %", [2]bool{}},
		{"few hitches", []record.Metrics{few, metrics(100, 70)}, nil, "equal to the last digit", "what so few hitches", [2]bool{true, true}},
		{"bounds", []record.Metrics{metrics(100, 80), metrics(100.3, 110)}, known, "least limit", "more than 30.0 % (greatest limit", [2]bool{true, false}},
		{"sparse", []record.Metrics{metrics(100, 80), sparse}, nil, "equal", "fewer than ten frames", [2]bool{true, false}},
		{"nought", []record.Metrics{metrics(100, 80), metrics(0, 80)}, nil, "a pass has 0", "equal", [2]bool{false, true}},
		{"nearly", []record.Metrics{metrics(100, 80), metrics(100*1.03001, 80)}, nil, "differ by 3.001 %, more than 3.000 %", "", [2]bool{false, true}},
	} {
		got := critical.Default.Judge(c.passes, c.spread)
		for i, want := range []string{c.avg, c.low1} {
			if text := got[i].Text + got[i].Unable; !strings.Contains(text, want) || got[i].Accepted != c.ok[i] {
				t.Errorf("%s: %q, accepted %v, want %q", c.name, text, got[i].Accepted, want)
			}
		}
	}
}

var percentages = regexp.MustCompile(`([0-9.]+) %`)

// A refusal never says that a number is more than itself.
func TestDigits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(1.0, 1.06).Draw(t, "ratio")
		r := critical.Default.Judge([]record.Metrics{metrics(100, 80), metrics(100*low, 80)}, nil)[0]
		p := percentages.FindAllStringSubmatch(r.Text, 2)
		if !r.Accepted && r.RangePercent > r.LimitPercent+1e-5 && p[0][1] == p[1][1] {
			t.Fatal(r.Text)
		}
	})
}
