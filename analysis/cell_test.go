package analysis_test

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// The interval is that of Student 1908 on logarithms: 2.48 standard deviations at n = 3.
func TestCellAlone(t *testing.T) {
	cells := analysis.Cells(passes(cell("P1", "G1", "Lanterns", "1920x1080"), 100, 101, 102), analysis.Options{})
	if len(cells) != 1 {
		t.Fatalf("%d cells", len(cells))
	}
	f := cells[0].Figure(analysis.Average)
	near(t, "mean", float64(f.Mean), 101, 1e-12)
	near(t, "sd", float64(f.SD), 1, 1e-12)
	near(t, "cv", float64(f.CV), 1.0/101, 1e-12)
	ln := []float64{math.Log(100), math.Log(101), math.Log(102)}
	m := (ln[0] + ln[1] + ln[2]) / 3
	s := math.Sqrt((math.Pow(ln[0]-m, 2) + math.Pow(ln[1]-m, 2) + math.Pow(ln[2]-m, 2)) / 2)
	near(t, "low", float64(f.CILow), math.Exp(m-4.302652730*s/math.Sqrt(3)), 1e-8) // t(0.975; 2), any table
	near(t, "high", float64(f.CIHigh), math.Exp(m+4.302652730*s/math.Sqrt(3)), 1e-8)
	if f.Spread.Pooled || cells[0].Agree.Outcome != record.OK {
		t.Errorf("%+v %+v", f.Spread, cells[0].Agree)
	}
}

func TestCellLeavesOutOnlyByVerdict(t *testing.T) {
	p := passes(cell("P1", "G1", "Lanterns", "1920x1080"), 100, 101, 60, 99.5)
	p[0].Verdict = record.VerdictBad
	p[0].Findings = []record.Finding{{Check: "thermal", Outcome: record.Bad, Reason: "the clock fell by 20 %"}}
	p[1].Verdict, p[1].Overruled = record.VerdictBad, "wrong scene"
	p[3].Verdict = record.VerdictDoubtful
	c := analysis.Cells(p, analysis.Options{})[0]
	want := []analysis.LeftOut{{ID: p[0].ID, Why: "thermal: the clock fell by 20 %"}, {ID: p[1].ID, Why: "judged bad by hand: wrong scene"}}
	if !reflect.DeepEqual(c.Passes.LeftOut, want) {
		t.Errorf("left out %+v", c.Passes.LeftOut)
	}
	if len(c.Passes.Used) != 2 || c.Agree.Outcome != record.Doubtful || c.Figure(analysis.Average).Shown != "median" {
		t.Errorf("%+v", c)
	}
	near(t, "the mean stays the mean", float64(c.Figure(analysis.Average).Mean), 79.75, 1e-12)
	if !strings.Contains(strings.Join(c.Warnings, ";"), "1 of 2 passes doubtful") {
		t.Errorf("warnings %q", c.Warnings)
	}
}

func TestCellSaysWhatIsMixed(t *testing.T) {
	p := passes(cell("P1", "G1", "Lanterns", ""), 100, 101, 100.5)
	p[2].System = "s2"
	p[1].Tags[record.TagDriver] = record.Tag{Value: "2.1"}
	c := analysis.Cells(p, analysis.Options{})[0]
	text := strings.Join(c.Warnings, "\n")
	for _, want := range []string{`no tag "resolution"`, "more than one system: s1 (2), s2 (1)", "more than one driver: 2.1 (1), unknown (2)"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func TestCellWithNothing(t *testing.T) {
	if got := analysis.Cells(nil, analysis.Options{}); len(got) != 0 {
		t.Errorf("%+v", got)
	}
	p := passes(cell("P1", "G1", "Lanterns", "1"), 100)
	one := analysis.Cells(p, analysis.Options{})[0]
	p[0].Verdict = record.VerdictBad
	none := analysis.Cells(p, analysis.Options{})[0]
	for _, c := range []analysis.Cell{one, none} {
		if c.Figure(analysis.Average).CILow.Known() || c.Agree.Outcome != record.NotChecked {
			t.Errorf("%+v", c)
		}
		b, err := json.Marshal(c)
		if err != nil || !strings.Contains(string(b), `"ci_low":null`) {
			t.Errorf("%s %v", b, err)
		}
	}
	if none.Figure(analysis.Average).Mean.Known() {
		t.Errorf("a mean of no pass")
	}
}

// Passes without a game may be of several games: nobody asks whether they agree, and how
// well passes repeat is not learnt from them.
func TestPassesWithoutAGameDoNotHaveToAgree(t *testing.T) {
	var mixed []record.Pass
	for _, g := range []string{"G1", "G2", "G3", "G4", "G5", "G6", "G7", "G8"} {
		mixed = append(mixed, passes(cell("P1", g, "", "1"), 100, 60, 250)...)
	}
	for _, c := range analysis.Cells(mixed, analysis.Options{}) {
		f := c.Figure(analysis.Average)
		if c.Agree.Outcome != record.NotChecked || c.Agree.Reason != record.NoCell || f.Spread.Pooled || f.Shown != "mean" {
			t.Errorf("%+v, spread %+v", c.Agree, f.Spread)
		}
		if !slices.Contains(c.Warnings, `the passes have no tag "game": they may be of several games`) {
			t.Errorf("warned: %q", c.Warnings)
		}
	}
}

// Equal passes are zero width, said to be equal; their spread is not used for others.
func TestCellNoSpread(t *testing.T) {
	c := analysis.Cells(passes(cell("P1", "G1", "Lanterns", "1"), 100, 100, 100), analysis.Options{})[0]
	f := c.Figure(analysis.Average)
	near(t, "low", float64(f.CILow), 100, 1e-12)
	if !strings.Contains(c.Agree.Reason, "equal to the last digit") {
		t.Errorf("%s", c.Agree.Reason)
	}
}

// With many like cells the pooled spread is used; it holds the history of the bench too,
// and neither the order of the passes nor that of the history matters.
func TestCellsPool(t *testing.T) {
	r := testlab.Rand(1, 2)
	var all []record.Pass
	for _, g := range []string{"G1", "G2", "G3", "G4", "G5", "G6", "G7", "G8"} {
		all = append(all, passes(cell("P1", g, "Lanterns", "1"), noisy(r, 100, 0.01), noisy(r, 100, 0.01), noisy(r, 100, 0.01))...)
	}
	cells := analysis.Cells(all, analysis.Options{})
	f := cells[0].Figure(analysis.Average)
	if !f.Spread.Pooled || f.Spread.DF != 16 {
		t.Fatalf("%+v", f.Spread)
	}
	r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	if again := analysis.Cells(all, analysis.Options{}); !reflect.DeepEqual(again, cells) {
		t.Error("the order of the passes matters")
	}
	var first, rest []record.Pass
	for _, p := range all {
		if p.Tags.Value("gpu") == "G1" {
			first = append(first, p)
		} else {
			rest = append(rest, p)
		}
	}
	h := analysis.Cells(first, analysis.Options{History: append(rest, first...)})[0].Figure(analysis.Average)
	if h.Spread.SD != f.Spread.SD || h.Spread.DF != 16 {
		t.Errorf("history: %+v, want %+v", h.Spread, f.Spread)
	}
}

// Spreads that differ beyond chance are not pooled.
func TestCellsDoNotPoolWhatDiffers(t *testing.T) {
	r := testlab.Rand(3, 4)
	var all []record.Pass
	for _, g := range []string{"G1", "G2", "G3", "G4"} {
		all = append(all, passes(cell("P1", g, "Lanterns", "1"), noisy(r, 100, 1e-4), noisy(r, 100, 1e-4), noisy(r, 100, 1e-4))...)
		all = append(all, passes(cell("P2", g, "Lanterns", "1"), noisy(r, 100, 0.05), noisy(r, 100, 0.05), noisy(r, 100, 0.05))...)
	}
	for _, c := range analysis.Cells(all, analysis.Options{}) {
		s := c.Figure(analysis.Average).Spread
		if s.Pooled || c.Factors["cpu"] == "P1" && !strings.Contains(s.From, "do not have one spread") {
			t.Errorf("%s: %+v", c.Name(), s)
		}
	}
}

// One set of passes that spread far more than the others does not keep them from being
// pooled; it stands on its own and is said to disagree.
func TestCellsTakeOneWildSetOut(t *testing.T) {
	r := testlab.Rand(5, 6)
	var all []record.Pass
	for _, g := range []string{"G1", "G2", "G3", "G4", "G5", "G6"} {
		all = append(all, passes(cell("P1", g, "Lanterns", "1"), noisy(r, 100, 0.004), noisy(r, 100, 0.004), noisy(r, 100, 0.004))...)
	}
	all = append(all, passes(cell("P1", "G7", "Lanterns", "1"), 100, 80, 101)...)
	for _, c := range analysis.Cells(all, analysis.Options{}) {
		f, wild := c.Figure(analysis.Average), c.Factors["gpu"] == "G7"
		if f.Spread.Pooled == wild || (c.Agree.Outcome == record.Doubtful) != wild || (f.Shown == "median") != wild {
			t.Errorf("%s: %+v %+v", c.Name(), f, c.Agree)
		}
	}
}

// The promised shape of `capctl cells --json`.
func TestCellJSON(t *testing.T) {
	b, err := json.Marshal(analysis.Cells(passes(cell("P1", "G1", "Lanterns", "1"), 100, 101, 102), analysis.Options{})[0])
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Factors map[string]string
		Passes  struct {
			Used []struct{ ID, SHA256 string }
			Left []any `json:"left_out"`
		}
		Avg   map[string]any `json:"avg_fps"`
		Low   map[string]any `json:"low1_fps"`
		Agree record.Finding
	}
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if got.Factors["cpu"] != "P1" || len(got.Passes.Used) != 3 || got.Passes.Left == nil || got.Agree.Check != "agreement" {
		t.Errorf("%s", b)
	}
	for _, k := range []string{"mean", "sd", "cv", "ci_low", "ci_high"} {
		if _, ok := got.Avg[k].(float64); !ok {
			t.Errorf("avg_fps.%s is %v", k, got.Avg[k])
		}
		if _, ok := got.Low[k].(float64); !ok {
			t.Errorf("low1_fps.%s is %v", k, got.Low[k])
		}
	}
}
