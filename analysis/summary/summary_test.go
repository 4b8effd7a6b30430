package summary_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/analysis/oddcell"
	"capd.example/analysis/summary"
	"capd.example/internal/testlab"
	"capd.example/record"
)

func input(w *testlab.World, r *rand.Rand) summary.Input {
	o := analysis.Options{}
	in := summary.Input{Cells: analysis.Cells(w.Passes(r), o), Factors: record.CellFactors, Options: o,
		RefreshHz: []float64{60, 120}, PriceBy: record.TagGraphics}
	limits, _ := limit.Limits(in.Cells, nil, o)
	for _, l := range limits {
		in.Limits = append(
			in.Limits,
			summary.Limited{Factors: l.Factors, By: l.Limit, Low: l.ShareLow, High: l.ShareHigh},
		)
	}
	odd := oddcell.Find(in.Cells, o)
	in.Tested, in.Untested = odd.Tested, len(odd.Untestable)
	for _, x := range odd.Odd {
		if x.Kind == oddcell.OddPart {
			continue // parts that were mixed up are a matter for the check before publishing
		}
		in.Odd = append(in.Odd, summary.Suspect{Factors: x.Factors, Why: x.Reason})
	}
	for i := range w.Cards {
		in.Prices = append(
			in.Prices,
			summary.Price{Part: "Ember " + string(rune('1'+i)) + "0", Amount: 200 + 90*float64(i), Currency: "EUR"},
		)
	}
	return in
}

// holds checks a claim against the truth.
func holds(w *testlab.World, c summary.Claim) bool {
	switch c.Kind {
	case summary.Ratio:
		games, log := map[string]int{}, 0.0
		for _, row := range c.Rows {
			games[row[record.TagGame]]++
		}
		for _, row := range c.Rows {
			at := func(level string) float64 {
				f := map[string]string{c.By: level}
				for k, v := range row {
					f[k] = v
				}
				return w.Rate(f)
			}
			log += math.Log(at(c.A)/at(c.B)) / float64(len(games)*games[row[record.TagGame]])
		}
		truth := analysis.Number(math.Expm1(log))
		return len(c.Rows) > 0 && c.Low <= truth && truth <= c.High
	case summary.Rate:
		return w.Rate(c.Cell) >= float64(c.Low)
	case summary.Wrong:
		return w.Odd(c.Cell)
	case summary.Bound:
		return (c.A == string(analysis.ByProcessor)) == (w.Share(c.Cell) > 0.5)
	}
	return false
}

// In invented campaigns with known truth at most one in twenty has any false sentence; half of
// them were measured in sessions that differ, with control cells. Few sentences would make that
// easy, so it is counted what they say.
func TestSentencesAreTrue(t *testing.T) {
	campaigns := 3
	if testlab.Long(t) {
		campaigns = 200
	}
	r := rand.New(rand.NewPCG(24, 3))
	wrong, sentences, claims, fewest := 0, 0, 0, 20
	topics := map[string]int{}
	for n := range campaigns {
		w := testlab.NewWorld(r, 3, 4, 3, 2)
		if testlab.Long(t) && n%2 == 0 {
			w = testlab.NewWorld(r, 3, 4, 5, 2)
		}
		if testlab.Long(t) && n%4 == 3 {
			w = testlab.NewWorld(r, 4, 6, 6, 1)
		}
		if n%2 == 1 {
			w.Shift, w.Controls = 0.005, true
		}
		list := summary.Write(input(w, r))
		falseOne := false
		for _, s := range list {
			sentences++
			topics[s.Topic]++
			for _, c := range s.Claims {
				claims++
				if !holds(w, c) {
					falseOne = true
					t.Logf("campaign %d: %s (%+v)", n, s.Text, c)
				}
			}
			if s.Text == "" || s.Table == "" || !strings.HasSuffix(s.Text, ".") || strings.Contains(s.Text, "NaN") {
				t.Errorf("%+v", s)
			}
		}
		if fewest = min(fewest, len(list)); len(list) < 10 || len(list) > 20 {
			t.Errorf("campaign %d has %d sentences", n, len(list))
		}
		if falseOne {
			wrong++
		}
		if n < 2 {
			for _, s := range list {
				t.Log(s.Text)
			}
		}
	}
	t.Logf(
		"%d of %d campaigns with a false sentence; %d sentences, %d and more each, with %d claims; %v",
		wrong,
		campaigns,
		sentences,
		fewest,
		claims,
		topics,
	)
	if float64(wrong) > 0.05*float64(campaigns) {
		t.Errorf("%d of %d campaigns have a false sentence", wrong, campaigns)
	}
	for _, topic := range []string{"scope", "lead", "processor", "value", "rate", "limit", "certainty"} {
		if topics[topic] == 0 {
			t.Errorf("nothing was said of %s", topic)
		}
	}
}

// A sentence's mean over games is that of the tables.
func TestTheSameAsTheTables(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	w := testlab.NewWorld(r, 1, 3, 4, 1)
	in := input(w, r)
	margins, err := compare.Margins(in.Cells, record.TagGraphics, "", analysis.Average, in.Options)
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, s := range summary.Write(in) {
		for _, c := range s.Claims {
			if s.Topic != "lead" || c.Kind != summary.Ratio {
				continue
			}
			for _, x := range compare.Totals(margins, in.Options) {
				if x.Value == c.A && x.Base == c.B || x.Value == c.B && x.Base == c.A {
					checked++
					middle := math.Expm1((math.Log1p(float64(c.Low)) + math.Log1p(float64(c.High))) / 2)
					table := float64(x.Margin)
					if x.Base == c.A {
						table = 1/(1+table) - 1
					}
					if math.Abs(middle-table) > 1e-9 {
						t.Errorf("%s against %s: %.6f here, %.6f in the table", c.A, c.B, middle, table)
					}
				}
			}
		}
	}
	if checked == 0 {
		t.Error("no lead was found in the tables")
	}
}

// Little gives few sentences and no invention.
func TestSummaryOfLittle(t *testing.T) {
	if got := summary.Write(summary.Input{}); got != nil {
		t.Errorf("%+v", got)
	}
	r := rand.New(rand.NewPCG(7, 8))
	w := testlab.NewWorld(r, 1, 1, 1, 1)
	for _, s := range summary.Write(summary.Input{Cells: analysis.Cells(w.Passes(r), analysis.Options{}), Factors: record.CellFactors}) {
		if s.Topic != "scope" {
			t.Errorf("one cell says: %+v", s)
		}
	}
}

// hidden is a campaign whose best card is far ahead and was measured in so many of ten games.
func hidden(games int) (*testlab.World, summary.Input) {
	r := rand.New(rand.NewPCG(11, 12))
	w := testlab.NewWorld(r, 1, 3, 10, 1)
	w.Processors, w.Cards, w.Noise = []float64{900}, []float64{100, 130, 250}, 0.003
	in := input(w, r)
	in.Cells = slices.DeleteFunc(in.Cells, func(c analysis.Cell) bool {
		game, _ := strconv.Atoi(strings.TrimPrefix(c.Factors[record.TagGame], "Game "))
		return c.Factors[record.TagGraphics] == "Ember 30" && game > games
	})
	return w, in
}

// A part that was left out of a comparison may be the best of all: a sentence that does not
// speak of all parts says so, and names the others.
func TestSentencesNameWhatTheyLeaveOut(t *testing.T) {
	check := func(in summary.Input, topic string, want ...string) {
		t.Helper()
		found := false
		for _, s := range summary.Write(in) {
			if s.Topic != topic {
				continue
			}
			found = true
			for _, x := range want {
				if !strings.Contains(strings.ToLower(s.Text), strings.ToLower(x)) {
					t.Errorf("%q lacks %q", s.Text, x)
				}
			}
			if strings.Contains(s.Text, "any other part") {
				t.Errorf("%q speaks of all parts", s.Text)
			}
		}
		if !found {
			t.Errorf("nothing was said of %s", topic)
		}
	}
	w, in := hidden(2)
	for _, game := range []string{"Game 1", "Game 10"} {
		at := func(card string) float64 {
			return w.Rate(map[string]string{record.TagProcessor: "Quillon 100", record.TagGraphics: card, record.TagGame: game,
				record.TagScene: "terrace", record.TagResolution: "1920x1080", record.TagPreset: "high"})
		}
		if at("Ember 30") <= at("Ember 20") {
			t.Fatal("the hidden card does not win")
		}
	}
	for _, topic := range []string{"lead", "low"} {
		check(in, topic, "Of the 2 compared", "too little was measured to compare Ember 30")
	}
	in.Prices[2].Amount = 10 // by far the cheapest per frame
	check(in, "value", "Of the 2 compared", "too little was measured to compare Ember 30", "a frame costs least")

	_, in = hidden(10)
	in.Prices = in.Prices[:2]
	check(in, "value", "Of the 2 with a price", "no price is known of Ember 30", "a frame costs least")

	_, in = hidden(10) // nothing is left out
	for _, s := range summary.Write(in) {
		if strings.Contains(s.Text, "ompared") || strings.Contains(s.Text, "with a price") {
			t.Errorf("%q leaves something out", s.Text)
		}
	}
}

// One cell holds a rate, several hold it.
func TestNumberOfCellsThatHoldARate(t *testing.T) {
	for games, want := range map[int]string{1: "1 of 1 cell holds 60 FPS", 2: "2 of 2 cells hold 60 FPS"} {
		r := rand.New(rand.NewPCG(13, 14))
		w := testlab.NewWorld(r, 1, 1, games, 1)
		w.Processors, w.Cards, w.Noise = []float64{9000}, []float64{5000}, 0.003
		in := input(w, r)
		in.RefreshHz = []float64{60}
		said := ""
		for _, s := range summary.Write(in) {
			said += s.Text + "\n"
		}
		if !strings.Contains(said, want) {
			t.Errorf("no %q in:\n%s", want, said)
		}
	}
}

// Where only rates show that sessions differ nothing is said of what limits cells.
func TestNoLimitsWhereSessionsDiffer(t *testing.T) {
	for _, controls := range []bool{false, true} {
		r := rand.New(rand.NewPCG(15, 16))
		w := testlab.NewWorld(r, 1, 6, 6, 1)
		w.Shift, w.Controls = 0.02, controls
		in := input(w, r)
		in.Limits = nil
		in.Cells = slices.DeleteFunc(in.Cells, func(c analysis.Cell) bool { // no two cards in one game
			return c.Factors[record.TagGraphics] != "Ember "+strings.TrimPrefix(c.Factors[record.TagGame], "Game ")+"0"
		})
		for _, c := range in.Cells {
			in.Limits = append(in.Limits, summary.Limited{Factors: c.Factors, By: analysis.ByGraphics, Low: 0, High: 0.1})
		}
		said := slices.ContainsFunc(summary.Write(in), func(s summary.Sentence) bool { return s.Topic == "limit" })
		if said == controls {
			t.Errorf("sessions known to differ: %v; what limits was said: %v", controls, said)
		}
	}
}

// What a card gives depends on the processor, so a ratio of a mean over processors is not that with
// each of them: the sentence says that it is a mean, and of two parts names the other.
func TestSentencesSayWhatTheyAreMeansOver(t *testing.T) {
	r := rand.New(rand.NewPCG(16, 7))
	w := testlab.NewWorld(r, 2, 2, 2, 1)
	w.Processors, w.Cards, w.Noise = []float64{160, 260}, []float64{100, 190}, 0.001
	in := input(w, r)
	in.Prices[1].Amount = 250
	found := map[string]bool{}
	for _, s := range summary.Write(in) {
		for _, c := range s.Claims {
			if c.Kind != summary.Ratio || len(c.Rows) < 2 {
				continue
			}
			found[s.Topic] = true
			if !strings.Contains(s.Text, "mean over ") {
				t.Errorf("%q does not say that it is a mean over %d rows", s.Text, len(c.Rows))
			}
		}
		if s.Topic == "value" && (!strings.Contains(s.Text, "with Ember 10 it costs at least") ||
			!strings.Contains(s.Text, "2 games and 2 processors")) {
			t.Errorf("%q does not name the only other card, or what it is a mean over", s.Text)
		}
	}
	for _, topic := range []string{"lead", "low", "processor", "value"} {
		if !found[topic] {
			t.Errorf("no sentence of %s is a mean", topic)
		}
	}
}

// A cell whose passes scatter more than those of the others is not hidden behind the median.
func TestTheScatterOfAllCellsIsSaid(t *testing.T) {
	r := rand.New(rand.NewPCG(16, 8))
	w := testlab.NewWorld(r, 2, 2, 4, 1)
	in := input(w, r)
	set := func(i int, sd analysis.Number) {
		f := in.Cells[i].Figures[analysis.Average]
		f.Spread.SD = sd
		in.Cells[i].Figures[analysis.Average] = f
	}
	for i := range in.Cells {
		set(i, 0.001)
	}
	scatter := func() string {
		for _, s := range summary.Write(in) {
			if s.Topic == "scatter" {
				return s.Text
			}
		}
		return ""
	}
	if text := scatter(); !strings.Contains(text, "of a cell scatter by") || strings.Contains(text, "noisiest") {
		t.Errorf("%q of cells that are alike", text)
	}
	set(3, 0.0123)
	if text := scatter(); !strings.Contains(text, "in the median of 16 cells and by 1.2 % in the noisiest") {
		t.Errorf("%q", text)
	}
}
