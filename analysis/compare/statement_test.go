package compare_test

import (
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// Each margin comes with words that hold by themselves: interval or bound, never "undecided".
// 153 against 144 FPS is 6 %, one decimal because the interval has one (common practice).
func TestStatements(t *testing.T) {
	three := func(m, d float64) []float64 { return []float64{m, m + d, m - d} }
	for _, c := range []struct {
		name   string
		a, b   []float64
		figure string
		want   string
	}{
		{"clear", three(100, 1), three(148, 1.48), "avg_fps", `^48 % faster \(4[4-6] to 5[0-2]\)$`},
		{"below ten per cent", three(144, 0.1), three(153, 0.1), "avg_fps", `^6\.3 % faster \(6\.1 to 6\.4\)$`},
		{"slower", three(100, 0.1), three(90, 0.1), "avg_fps", `^10\.0 % slower \(9\.[78] to 10\.[23]\)$`},
		{"the same", three(100, 0.05), three(100.02, 0.05), "avg_fps", `^no difference: at most 0\.[12] % either way$`},
		{"small but certain", three(100, 0.01), three(100.5, 0.01), "avg_fps", `^no difference that matters: at most 0\.6 % either way$`},
		{"noise", three(100, 1), three(100.1, 1), "avg_fps", `^no difference seen: at most [12]\.\d % either way(; [a-z]+ more passes of each would tell)?$`},
		{"perhaps", three(100, 1), three(102, 1), "avg_fps", `^2\.0 % faster, perhaps none: -0\.\d to 4\.\d; (one more pass|[a-z]+ more passes) of each would tell$`},
		{"frame times", three(100, 0.1), three(125, 0.1), "median_ms", `^20(\.0)? % shorter \(`},
		{"one pass", three(100, 0.1), []float64{110}, "avg_fps", `^10 % faster, how surely is not known: one pass alone of G2$`},
		{"no spread", []float64{100, 100}, []float64{110, 110}, "avg_fps", `^10(\.0)? % faster, how surely is not known: the passes of both show no spread`},
	} {
		p := append(passes(cell("P1", "G1", "L", "1"), c.a...), passes(cell("P1", "G2", "L", "1"), c.b...)...)
		margins, err := compare.Margins(
			analysis.Cells(p, analysis.Options{}),
			"gpu",
			"G1",
			c.figure,
			analysis.Options{},
		)
		if err != nil || len(margins) != 1 || !regexp.MustCompile(c.want).MatchString(margins[0].Statement) {
			t.Errorf("%s: %v %+v, want %s", c.name, err, margins, c.want)
		}
	}
}

// The number of passes that a statement asks for is what is needed: with so many more at the
// same means and spread the difference is told.
func TestMorePassesTell(t *testing.T) {
	spread := func(m float64, n int) (out []float64) {
		for i := range n {
			out = append(out, m+[]float64{0, 1, -1}[i%3])
		}
		return out
	}
	at := func(n int) compare.Margin {
		return compareOne(t, append(passes(cell("P1", "G1", "L", "1"), spread(100, n)...),
			passes(cell("P1", "G2", "L", "1"), spread(102, n)...)...), "gpu", "G1", analysis.Options{})
	}
	if m := at(3); m.Call != compare.Undecided ||
		!regexp.MustCompile(`; (one|two) more pass(es)? of each would tell`).MatchString(m.Statement) {
		t.Errorf("%+v", m.Statement)
	}
	if m := at(6); m.Call != compare.Faster {
		t.Errorf("with three more: %s", m.Statement)
	}
}

// Of a campaign in which all processors are within one per cent, some of them equal, most pairs get
// a bound that can be said aloud, the bound holds, and none is called different, or different the
// wrong way, more often than the level says.
func TestPairsThatAreAlikeGetABound(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 24))
	offsets := []float64{-0.003, -0.003, 0, 0, 0.003, 0.006}
	of := func(part string) float64 { return 1 + offsets[part[1]-'0'] }
	pairs, bounded, beyond, wrong, tables := 0, 0, 0, 0, 0
	rounds := 4
	if testlab.Long(t) {
		rounds = 60
	}
	for range rounds {
		var all []record.Pass
		for game := range 6 {
			for g := range 4 {
				for c := range offsets { // 144 cells
					part := "P" + string(rune('0'+c))
					y := 200 / (1 + 0.3*float64(g)) / (1 + 0.2*float64(game)) * of(part)
					all = append(all, passes(cell(part, "G"+string(rune('0'+g)), "L"+string(rune('0'+game)), "1"),
						noisy(r, y, 0.004), noisy(r, y, 0.004), noisy(r, y, 0.004))...)
				}
			}
		}
		margins, err := compare.Margins(analysis.Cells(all, analysis.Options{}), "cpu", "", analysis.Average, analysis.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(margins) != 24*15 {
			t.Fatalf("%d pairs", len(margins))
		}
		tables++
		if slices.ContainsFunc(margins, func(m compare.Margin) bool {
			truth := of(m.Value) - of(m.Base)
			return m.Call == compare.Faster && truth <= 0 || m.Call == compare.Slower && truth >= 0
		}) {
			wrong++
		}
		for _, m := range margins {
			pairs++
			if m.AtMost <= 0.015 {
				bounded++
			}
			if truth := math.Abs(of(m.Value)/of(m.Base) - 1); float64(m.AtMost) < truth {
				beyond++
			}
		}
	}
	t.Logf("%d of %d pairs have a bound of 1.5 %%, %d lie beyond theirs; a wrong call in %d of %d tables", bounded, pairs, beyond, wrong, tables)
	if share := float64(bounded) / float64(pairs); share < 0.8 {
		t.Errorf("%.0f %% of the pairs have a bound of 1.5 %% at most", 100*share)
	}
	// The pairs of one table share their cells: the slack is that of a tenth of them.
	n := float64(pairs)
	if most := 0.05*n + 3*math.Sqrt(0.05*0.95*10*n); float64(beyond) > most {
		t.Errorf("%d of %d pairs lie beyond their bound, more than %.0f", beyond, pairs, most)
	}
	if most := 0.05*float64(tables) + 3*math.Sqrt(0.05*0.95*float64(tables)); float64(wrong) > most {
		t.Errorf("a wrong call in %d of %d tables, more than %.1f", wrong, tables, most)
	}
}

// A spread over games is told from five games on: with two, Student's quantile makes hundreds
// of per cent of it.
func TestSpreadOverGamesNeedsFive(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, games := range []int{2, 4, 5} {
		var all []record.Pass
		for k := range games {
			for g, y := range []float64{100, 120 + float64(k)} {
				all = append(
					all,
					passes(
						cell("P", "G"+string(rune('0'+g)), "L"+string(rune('0'+k)), "1"),
						noisy(r, y, 0.004),
						noisy(r, y, 0.004),
						noisy(r, y, 0.004),
					)...)
			}
		}
		margins, err := compare.Margins(
			analysis.Cells(all, analysis.Options{}),
			"gpu",
			"G0",
			analysis.Average,
			analysis.Options{},
		)
		if err != nil {
			t.Fatal(err)
		}
		totals := compare.Totals(margins, analysis.Options{})
		if len(totals) != 1 || totals[0].SpreadLow.Known() != (games >= 5) || !totals[0].CILow.Known() ||
			totals[0].Statement == "" {
			t.Errorf("%d games: %+v", games, totals)
		}
	}
}
