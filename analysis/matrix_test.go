package analysis_test

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"capd.example/analysis"
	"capd.example/record"
)

// A matrix finds the rows that the levels of a factor share; a level that was measured in less
// than half of them is left out, so that one lonely cell does not empty a comparison.
func TestRowsInCommon(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var all []record.Pass
	add := func(gpu, game, resolution string) {
		all = append(all, passes(cell("P", gpu, game, resolution), noisy(r, 100, 0.01), noisy(r, 100, 0.01))...)
	}
	for _, game := range []string{"a", "b", "c"} {
		add("G1", game, "1")
		add("G1", game, "2")
		add("G2", game, "1")
		if game != "c" {
			add("G2", game, "2")
		}
	}
	add("G3", "a", "1")
	m := analysis.NewMatrix(analysis.Cells(all, analysis.Options{}), record.CellFactors)
	rows, levels := m.Common("gpu", nil)
	if !slices.Equal(levels, []string{"G1", "G2"}) || len(rows) != 5 {
		t.Errorf("%d rows of %v", len(rows), levels)
	}
	for _, row := range rows {
		if row["game"] == "c" && row["resolution"] == "2" {
			t.Error("a row that G2 lacks")
		}
		for _, l := range levels {
			if _, ok := m.With(row, "gpu", l); !ok {
				t.Errorf("%s has no cell in %v", l, row)
			}
		}
		if _, ok := row["gpu"]; ok {
			t.Errorf("the row names its own factor: %v", row)
		}
	}
	rows, levels = m.Common("gpu", map[string]string{"resolution": "1", "game": "a"})
	if len(rows) != 1 || len(levels) != 3 {
		t.Errorf("of one setting %d rows of %v", len(rows), levels)
	}
	if rows, levels = m.Common("gpu", map[string]string{"game": "none"}); len(rows)+len(levels) > 0 {
		t.Errorf("of nothing %v, %v", rows, levels)
	}
}

// Each game has the same weight in a contrast, however many of its settings were measured:
// with ratios of 2 in three settings of one game and 1 in one of another the mean is sqrt(2).
func TestGamesWeighTheSame(t *testing.T) {
	var all []record.Pass
	add := func(game, resolution string, a, b float64) {
		all = append(all, passes(cell("P", "A", game, resolution), a, 1.001*a, 0.999*a)...)
		all = append(all, passes(cell("P", "B", game, resolution), b, 1.001*b, 0.999*b)...)
	}
	for _, resolution := range []string{"1", "2", "3"} {
		add("x", resolution, 200, 100)
	}
	add("y", "1", 80, 80)
	m := analysis.NewMatrix(analysis.Cells(all, analysis.Options{}), record.CellFactors)
	rows, _ := m.Common("gpu", nil)
	c := m.Contrast(analysis.Average, "gpu", "A", "B", rows)
	near(t, "the mean ratio", 1+float64(c.Ratio()), math.Sqrt2, 1e-9)
	back := m.Contrast(analysis.Average, "gpu", "B", "A", rows)
	near(t, "the other way round", (1+float64(c.Ratio()))*(1+float64(back.Ratio())), 1, 1e-12)
	if !c.Known() {
		t.Fatal("nothing is known of it")
	}
	low, high := c.Interval(0.05)
	wideLow, wideHigh := c.Interval(0.001)
	if !(wideLow < low && low < c.Ratio() && c.Ratio() < high && high < wideHigh) {
		t.Errorf("%v to %v, at a smaller error %v to %v", low, high, wideLow, wideHigh)
	}
	if order := m.Ranked(analysis.Average, "gpu", []string{"B", "A"}, rows); !slices.Equal(order, []string{"A", "B"}) {
		t.Errorf("ranked %v", order)
	}
	if c := m.Contrast(analysis.Average, "gpu", "A", "none", rows); c.Known() {
		t.Error("a level that is not there is compared")
	}
	if order := m.Ranked(analysis.Average, "gpu", nil, rows); order != nil {
		t.Errorf("of no level %v", order)
	}
}

// The order of levels is that of the campaign, what it does not name comes after in its
// natural order.
func TestOrderOfLevels(t *testing.T) {
	o := analysis.Options{Levels: map[string][]string{"preset": {"ultra", "low"}}}
	for factor, want := range map[string][]string{
		"preset": {"ultra", "low", "x9", "x10"},
		"gpu":    {"low", "ultra", "x9", "x10"},
	} {
		got := []string{"x10", "low", "x9", "ultra"}
		slices.SortFunc(got, o.Order(factor))
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", factor, got, want)
		}
	}
}

// A level keeps its position whatever else is measured: as the campaign has it, others behind.
func TestPositionsOfLevels(t *testing.T) {
	o := analysis.Options{Levels: map[string][]string{"cpu": {"Basalt 8", "Basalt 12", "Basalt 6"}}}
	of := func(names ...string) (cells []analysis.Cell) {
		for _, n := range names {
			cells = append(cells, analysis.Cell{Factors: map[string]string{"cpu": n}})
		}
		return cells
	}
	want := map[string]int{"Basalt 8": 0, "Basalt 12": 1, "Basalt 6": 2, "Agate 9": 3, "Agate 10": 4}
	if got := o.Positions(of("Agate 10", "Basalt 12", "Agate 9", "", "Basalt 12"), "cpu"); !maps.Equal(got, want) {
		t.Errorf("%v", got)
	}
	if got := (analysis.Options{}).Positions(of("Basalt 12", "Basalt 8"), "cpu"); got["Basalt 8"] != 0 || got["Basalt 12"] != 1 {
		t.Errorf("%v without a campaign", got)
	}
}
