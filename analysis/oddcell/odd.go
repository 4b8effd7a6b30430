package oddcell

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"capd.example/analysis"
	"capd.example/record"
	"capd.example/stats"
)

// Kinds of odd cells.
const (
	OddResidual = "residual" // far from what the other cells of the matrix make expect
	OddOrder    = "order"    // a better part, a lower preset or resolution gives a lower rate
	OddPart     = "part"     // the rates are those of another part than the cell is filed under
)

// Odd is a cell that may be wrong and should be measured again.
type Odd struct {
	Factors   map[string]string `json:"factors"`
	Kind      string            `json:"kind"`
	FPS       analysis.Number   `json:"avg_fps"`
	Expected  analysis.Number   `json:"expected_fps"` // by the other cells
	Deviation analysis.Number   `json:"deviation"`    // FPS / Expected - 1
	P         analysis.Number   `json:"p_adjusted"`
	Passes    []string          `json:"passes"`
	Reason    string            `json:"reason"`
	Advice    string            `json:"advice"`
	name      string
}

// Name names the cell.
func (o Odd) Name() string { return o.name }

// Report is what a search for odd cells gave.
type Report struct {
	Odd        []Odd    `json:"odd"` // the most certain first
	Tested     int      `json:"tested"`
	Untestable []string `json:"untestable"` // cells that the others do not determine
	// Weak are cells of which the others say too little to find a deviation of 4 % with 95 %
	// probability; the corner of the best parts usually is one.
	Weak   []Weak            `json:"weak"`
	Models []*analysis.Model `json:"models"`
	// Misfit says whether the matrix is as the model expects; Properties are deviations of
	// pairs of parts and of drivers, which are no fault of a cell.
	Misfit     Misfit     `json:"misfit"`
	Properties []Property `json:"properties"`
	// Alike are guesses at the mistake behind a cell, odd or not; cells of kind part are not
	// among them, since those have theirs.
	Alike []Alike `json:"alike"`
	// Outside says for people why cells were left out of the search, and of which games it
	// could test none.
	Outside []string `json:"outside"`
}

// Weak is a cell with the smallest deviation that is found with 95 % probability.
type Weak struct {
	Cell     string          `json:"cell"`
	Resolves analysis.Number `json:"resolves"`
}

// weakSize is the deviation that should be found (a convention).
const weakSize = 0.04

const (
	// residualLevel and orderLevel are the chances of any false alarm in a clean matrix,
	// together one per cent. Orders get the smaller part: most neighbours lie so far apart
	// that they cannot change places by chance.
	residualLevel, orderLevel = 0.009, 0.001
	// oddSize is the smallest relative deviation that is worth a word (a convention).
	oddSize = 0.01
)

// Find looks for cells whose average rate does not fit in with the others, by the search
// of package outlier about the soft-minimum model, and by broken orders.
//
// What belongs to parts is a property of them: a driver that makes the processors' ceilings
// others, and pairs of parts that deviate in all of their cells. Cells are held against the
// model with it. Where much is left that nothing explains, no cell is named. Cells of a pair
// whose rates are those of another part are named together.
func Find(cells []analysis.Cell, o analysis.Options) Report {
	o = o.WithDefaults()
	r := Report{Odd: []Odd{}, Untestable: []string{}, Weak: []Weak{}, Models: analysis.FitModels(cells, analysis.Average, o.Factors, 0), Properties: []Property{}}
	r.Outside = outside(cells)
	t := newTable(r.Models, cells, o)
	found := t.search()
	r.limits(t, found)
	r.Properties = append(r.Properties, t.properties(found)...)
	odd := t.odd(found)
	moved := t.moved(found)
	orders := oddOrders(cells, r.Models, t.orderMisfits(found, odd, moved), o, len(r.Properties)+len(moved) > 0)
	r.Misfit = t.misfit(found)
	odd = append(odd, orders...)
	if n := len(odd); n > max(2, int(manyOdd*float64(max(r.Tested, len(cells))))) {
		r.Misfit.Expected = false
		r.Misfit.Text = fmt.Sprintf("%s do not fit in, which no property of a pair or a driver explains: no cell is named, since what so many do is no fault of one", record.Count(n, "cell"))
		odd = nil
	}
	r.Odd = append(append(r.Odd, moved...), odd...)
	r.Misfit.words(len(r.Properties))
	r.Alike = findAlike(cells, moved, o)
	sort.SliceStable(r.Odd, func(i, j int) bool { return r.Odd[i].P < r.Odd[j].P })
	return r
}

// outside says why cells are in no model, alike reasons together.
func outside(cells []analysis.Cell) []string {
	var out []string
	count := map[string]int{}
	first := map[string]analysis.Cell{}
	for _, c := range cells {
		why := ""
		switch {
		case len(c.Counted()) == 0:
			why = "no usable pass"
		case c.Capped():
			why = "held by a frame cap"
		default:
			if why = c.Unmodelled(); why == "" {
				continue
			}
		}
		if count[why]++; count[why] == 1 {
			out, first[why] = append(out, why), c
		}
	}
	for i, why := range out {
		c := first[why]
		text := fmt.Sprintf("%s (%s): %s", c.Name(), analysis.SomeIDs(c.IDs()), why)
		if n := count[why]; n > 1 {
			text += fmt.Sprintf("; so it is with %s more", record.Count(n-1, "cell"))
		}
		out[i] = text
	}
	return out
}

// tooSmall says what a game lacks of which no cell can be tested.
func tooSmall(m *analysis.Model) string {
	values := func(factor string, of *analysis.Names) int {
		seen := map[string]bool{}
		for _, v := range of.Values {
			seen[v[factor]] = true
		}
		return len(seen)
	}
	return fmt.Sprintf("%s: %s of %s and %s do not tell what to expect of each other; it takes several processors and several cards, each with each, in the same settings",
		cmp.Or(m.Game, "no named game"), record.Count(len(m.Points), "cell"), record.Count(values(record.TagProcessor, m.C), "processor"),
		record.Count(values(record.TagGraphics, m.G), "card"))
}

func newOdd(c analysis.Cell, kind string, p float64) Odd {
	x := Odd{Factors: c.Factors, Kind: kind, FPS: c.Figure(analysis.Average).Mean, Expected: analysis.Undefined, Deviation: analysis.Undefined, P: analysis.Number(p),
		Advice: "measure this cell again before the parts are swapped", name: c.Name()}
	for _, u := range c.Passes.Used {
		x.Passes = append(x.Passes, u.ID)
	}
	return x
}

// PresetOrder is the usual order of quality presets, lightest first (common practice, no
// source); other names are not ordered.
var PresetOrder = []string{"lowest", "very low", "low", "medium", "high", "very high", "ultra"}

// rank returns a number by which the rate should fall, and whether there is one.
func rank(factor, value string) (float64, bool) {
	switch factor {
	case record.TagResolution:
		return analysis.Pixels(value)
	case record.TagPreset:
		i := slices.Index(PresetOrder, strings.ToLower(value))
		return float64(i), i >= 0
	}
	return 0, false
}

// neighbours are two cells in a row, of which one should be the faster.
type neighbours struct {
	light, heavy analysis.Cell
	factor       string
	p, d         float64 // one-sided; d above 0 where the heavier one is faster
}

// rows divides the cells that have a rate and a rank into those that differ in one factor
// alone, the lightest first.
func rows(cells []analysis.Cell, order func(analysis.Cell) (float64, bool), others []string) [][]analysis.Cell {
	at := map[string]int{}
	var out [][]analysis.Cell
	for _, c := range cells {
		if _, ok := order(c); !ok || c.Figure(analysis.Average).N == 0 {
			continue
		}
		key := analysis.FactorKey(c.Factors, others)
		i, seen := at[key]
		if !seen {
			i = len(out)
			at[key] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], c)
	}
	for _, row := range out {
		sort.SliceStable(row, func(i, j int) bool { a, _ := order(row[i]); b, _ := order(row[j]); return a < b })
	}
	return out
}

// neighboursBy lists the neighbours by one factor that can be compared.
func neighboursBy(factor string, cells []analysis.Cell, models []*analysis.Model, o analysis.Options) []neighbours {
	var out []neighbours
	order := ranks(factor, cells, models)
	for _, row := range rows(cells, order, analysis.Without(o.Factors, factor)) {
		for i := 1; i < len(row); i++ {
			a, b := row[i-1], row[i]
			x, _ := order(a)
			y, _ := order(b)
			fa, fb := a.Figure(analysis.Average), b.Figure(analysis.Average)
			se, df := analysis.Difference(fa, fb)
			if x == y || !(se > 0) || !(df > 0) {
				continue
			}
			d := fb.Log() - fa.Log()
			out = append(out, neighbours{a, b, factor, stats.TTwoSided(d/se, df) / 2, d})
		}
	}
	return out
}

// oddOrders lists neighbouring cells in the wrong order beyond noise. Of the two, the one
// that fits the model worse is named; an infinite misfit has a cell that is named already.
//
// Where parts have properties that the order of their ceilings does not know, no better
// part is expected to be faster.
func oddOrders(cells []analysis.Cell, models []*analysis.Model, misfit map[string]float64, o analysis.Options, properties bool) []Odd {
	var pairs []neighbours
	for _, factor := range o.Factors {
		if properties && (factor == record.TagProcessor || factor == record.TagGraphics) {
			continue
		}
		pairs = append(pairs, neighboursBy(factor, cells, models, o)...)
	}
	var out []Odd
	for _, p := range pairs {
		adjusted := p.p * float64(len(pairs))
		if p.d < oddSize || adjusted >= orderLevel || math.IsInf(misfit[p.light.Name()], 1) || math.IsInf(misfit[p.heavy.Name()], 1) {
			continue
		}
		named, other, word := p.light, p.heavy, "slower"
		if misfit[p.heavy.Name()] > misfit[p.light.Name()] {
			named, other, word = p.heavy, p.light, "faster"
		}
		x := newOdd(named, OddOrder, adjusted)
		x.Expected = other.Figure(analysis.Average).Mean
		x.Deviation = x.FPS/x.Expected - 1
		x.Reason = fmt.Sprintf("%s than the same with %s, at %.1f FPS, by %.1f %%; the reverse is expected",
			word, other.Factors[p.factor], float64(x.Expected), 100*math.Abs(float64(x.Deviation)))
		x.Advice = "measure both cells again: one of them may be wrong"
		for _, u := range other.Passes.Used {
			x.Passes = append(x.Passes, u.ID)
		}
		out = append(out, x)
	}
	return out
}

// ranks returns the order of a factor's values, the fastest lowest: that of their names, or
// for parts that of their ceilings, as far as those lie apart.
func ranks(factor string, cells []analysis.Cell, models []*analysis.Model) func(analysis.Cell) (float64, bool) {
	if factor != record.TagProcessor && factor != record.TagGraphics {
		return func(c analysis.Cell) (float64, bool) { return rank(factor, c.Factors[factor]) }
	}
	ceilings := map[string]float64{}
	for _, m := range models {
		if !m.Solved() {
			continue
		}
		for i, at := range m.Of {
			p := m.Points[i]
			v := m.Fit.G[p.G]
			if factor == record.TagProcessor {
				v = m.Fit.C[p.C]
			}
			// Steps of a few per cent make near equals equal, which are not compared.
			ceilings[cells[at].Name()] = -math.Round(math.Log(v) / math.Log(analysis.StepRatio))
		}
	}
	return func(c analysis.Cell) (float64, bool) {
		v, ok := ceilings[c.Name()]
		return v, ok
	}
}
