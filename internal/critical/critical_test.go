package critical_test

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"capd.example/internal/critical"
	"capd.example/record"
)

func metrics(avg, low float64) record.Metrics {
	return record.Metrics{Frames: 6000, AvgFPS: avg, Low1FPS: low, P99MS: 1000 / low}
}

// set makes passes "pass 1", "pass 2" ... a minute apart.
func set(m ...record.Metrics) []critical.Pass {
	var out []critical.Pass
	for i, x := range m {
		out = append(out, critical.Pass{ID: fmt.Sprintf("id%02d", i+1), Name: fmt.Sprint("pass ", i+1), At: time.Unix(int64(60*i), 0), Metrics: x})
	}
	return out
}

// rates makes passes of the given averages, with 1% lows that go with them.
func rates(fps ...float64) []critical.Pass {
	var m []record.Metrics
	for _, v := range fps {
		m = append(m, metrics(v, 0.8*v))
	}
	return set(m...)
}

// repeats is what comparable cells repeat to.
func repeats(sd float64) map[string]record.Spread {
	return map[string]record.Spread{critical.Average: {SD: sd, DF: 24, From: "x"}, critical.Low1: {SD: sd, DF: 24, From: "x"}}
}

// The critical range factors f(n) of ISO 5725-6:1994, Table 1, at 95 % (from memory): 2.8,
// 3.3 and 3.6 for 2, 3 and 4 results.
func TestCriticalRange(t *testing.T) {
	r := critical.Default
	r.Probability = 0.95
	spread := map[string]record.Spread{critical.Average: {SD: 0.01, DF: 1e6, From: "a table"}}
	for n, f := range []float64{2: 2.8, 3: 3.3, 4: 3.6} {
		if n < 2 {
			continue
		}
		got := math.Log1p(r.Compare(rates(slices.Repeat([]float64{100}, n)...), spread)[0].LimitPercent/100) / 0.01
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
	well := map[string]record.Spread{critical.Average: {SD: 0.0001, DF: 20, From: "x"}, critical.Low1: {SD: 0.2, DF: 20, From: "x"}}
	for _, c := range []struct {
		name      string
		passes    []critical.Pass
		spread    map[string]record.Spread
		avg, low1 string // in the text
		ok        [2]bool
	}{
		{"no history", set(metrics(100, 80), metrics(102, 85)), nil, "within 2.0 % (fixed limit of 3.0 %: too few passes so far)", "within 6.2 % (fixed limit of 10.0 %", [2]bool{true, true}},
		{"beyond", set(metrics(100, 80), metrics(104, 90)), nil, "(pass 1 100.0, pass 2 104.0 FPS) differ by 4.0 %; fixed limit of 3.0 %", "(pass 1 80.0, pass 2 90.0 FPS) differ by 12.5 %", [2]bool{}},
		{"few hitches", set(few, metrics(100, 70)), nil, "equal to the last digit", "can come from so few slow frames", [2]bool{true, true}},
		{"bounds", set(metrics(100, 80), metrics(100.3, 110)), well, "here 0.5 % is the most that is normal", "more than 30.0 % is too much", [2]bool{true, false}},
		{"beyond the greatest limit by few hitches", set(few, metrics(100, 85)), well, "equal", "can come from so few slow frames", [2]bool{true, true}},
		{"sparse", set(metrics(100, 80), sparse), nil, "equal", "fewer than ten frames", [2]bool{true, false}},
		{"nought", set(metrics(100, 80), metrics(0, 80)), nil, "a pass has 0", "equal", [2]bool{false, true}},
		{"nearly", rates(100, 100*1.03001), nil, "differ by 3.001 %; fixed limit of 3.000 %", "", [2]bool{false, true}},
		{"one apart", rates(100, 100.2, 90, 100.1), repeats(0.002), "the average of pass 3 stands apart from the others (100.0 to 100.2 FPS)", "", [2]bool{false, true}},
	} {
		got := critical.Default.Compare(c.passes, c.spread)
		for i, want := range []string{c.avg, c.low1} {
			if text := got[i].Text(); !strings.Contains(text, want) || got[i].Accepted != c.ok[i] {
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
		r := critical.Default.Compare(rates(100, 100*low), nil)[0]
		p := percentages.FindAllStringSubmatch(r.Text(), 2)
		if !r.Accepted && r.RangePercent > r.LimitPercent+1e-5 && p[0][1] == p[1][1] {
			t.Fatal(r.Text())
		}
	})
}
