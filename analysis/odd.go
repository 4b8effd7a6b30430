package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/record"
	"capd.example/stats"
)

// Kinds of odd cells.
const (
	OddResidual = "residual" // far from what the other cells of the matrix make expect
	OddOrder    = "order"    // a better part, a lower preset or resolution gives a lower rate
)

// Odd is a cell that may be wrong and should be measured again.
type Odd struct {
	Factors   map[string]string `json:"factors"`
	Kind      string            `json:"kind"`
	FPS       Number            `json:"avg_fps"`
	Expected  Number            `json:"expected_fps"` // by the other cells
	Deviation Number            `json:"deviation"`    // FPS / Expected - 1
	P         Number            `json:"p_adjusted"`
	Passes    []string          `json:"passes"`
	Reason    string            `json:"reason"`
	Advice    string            `json:"advice"`
	name      string
}

// Name names the cell.
func (o Odd) Name() string { return o.name }

// OddReport is what a search for odd cells gave.
type OddReport struct {
	Odd        []Odd    `json:"odd"` // the most certain first
	Tested     int      `json:"tested"`
	Untestable []string `json:"untestable"` // cells that the others do not determine
	// Weak are cells of which the others say too little to find a deviation of 4 % with 95 %
	// probability; the corner of the best parts usually is one.
	Weak   []Weak   `json:"weak"`
	Models []*Model `json:"models"`
	// Misfit says whether the matrix is as the model expects; Properties are deviations of
	// pairs of parts and of drivers, which are no fault of a cell.
	Misfit     Misfit     `json:"misfit"`
	Properties []Property `json:"properties"`
	// Outside says for people why cells were left out of the search, and of which games it
	// could test none.
	Outside []string `json:"outside"`
}

// Weak is a cell with the smallest deviation that is found with 95 % probability.
type Weak struct {
	Cell     string `json:"cell"`
	Resolves Number `json:"resolves"`
}

// weakSize is the deviation that should be found (a convention).
const weakSize = 0.04

const (
	// residualLevel and orderLevel are the chances of any false alarm in a clean matrix,
	// together one per cent. Orders get the smaller part: most neighbours lie so far apart
	// that they cannot change places by chance.
	residualLevel, orderLevel = 0.009, 0.001
	// evenPart of residualLevel is shared evenly by all cells (a convention), so that none
	// is beyond finding however little the others say of it.
	evenPart = 0.1
	// oddSize is the smallest relative deviation that is worth a word (a convention).
	oddSize = 0.01
)

// FindOdd looks for cells whose average rate does not fit in with the others: by
// externally studentised residuals of the soft-minimum model (Cook and Weisberg 1982, from
// memory), adjusted per game by a weighted Bonferroni rule (see shares), the worst one
// removed and the model fitted again; and by broken orders.
//
// Before a cell is named, the matrix is asked whether it is as the model expects: whether
// the cards of one driver make the processors' ceilings others, and whether pairs of parts
// deviate in all of their cells. What belongs to parts is a property of them; cells are then
// held against the model with it. Where much is left that nothing explains, no cell is named.
func FindOdd(cells []Cell, o Options) OddReport {
	o = o.withDefaults()
	r := OddReport{Odd: []Odd{}, Untestable: []string{}, Weak: []Weak{}, Models: fitModels(cells, Average, o.Factors, 0), Properties: []Property{}}
	r.Outside = outside(cells)
	s := seek(r.Models, cells, &r)
	orders := oddOrders(cells, r.Models, namesOf(s.odd), o, false)
	r.Misfit = lackOfFit(s.rest, cells)
	if len(s.odd)+len(orders) > 0 || !r.Misfit.Expected {
		s, orders = r.explain(s, orders, cells, o)
	}
	r.Odd = append(append([]Odd{}, s.odd...), orders...)
	if n := len(r.Odd); n > max(2, int(manyOdd*float64(max(r.Tested, len(cells))))) {
		r.Misfit.Expected = false
		r.Misfit.Text = fmt.Sprintf("%s do not fit in, which no property of a pair or a driver explains: no cell is named, since what so many do is no fault of one", record.Count(n, "cell"))
		r.Odd = []Odd{}
	}
	r.Misfit.words(len(r.Properties))
	sort.SliceStable(r.Odd, func(i, j int) bool { return r.Odd[i].P < r.Odd[j].P })
	return r
}

func namesOf(odd []Odd) map[string]bool {
	seen := map[string]bool{}
	for _, x := range odd {
		seen[x.name] = true
	}
	return seen
}

// explain looks for properties of parts behind what does not fit, and searches again with them.
func (r *OddReport) explain(s search, orders []Odd, cells []Cell, o Options) (search, []Odd) {
	models := slices.Clone(r.Models)
	driver := false
	for i, m := range models {
		base := *m
		if rich, p, ok := base.withDriver(cells, o, base.groupsOfCards(cells, o)); ok {
			models[i], driver = rich, true
			r.Properties = append(r.Properties, p)
		}
	}
	if driver {
		s = seek(models, cells, nil)
		orders = oddOrders(cells, models, namesOf(s.odd), o, true)
		r.Misfit = lackOfFit(s.rest, cells)
	}
	if len(s.odd) == 0 && r.Misfit.Expected {
		return s, orders
	}
	// The most striking cell smears over its neighbours: whether pairs deviate is asked without it.
	asked := models
	if len(s.cells) > 0 {
		asked = leaveOut(models, s.cells[0])
	}
	if without, _ := pairsOf(asked, cells); !(without.p < richLevel) {
		return s, orders
	}
	pairs, polished := pairsOf(models, cells)
	misfit := r.Misfit
	s, polished = oddInPairs(models, polished, cells)
	orders = oddOrders(cells, models, namesOf(s.odd), o, true)
	r.Misfit = lackOfFit(polished, cells)
	r.Misfit.Expected = false
	if misfit.ResidualSD.Known() {
		r.Misfit.P, r.Misfit.ResidualSD = misfit.P, misfit.ResidualSD
	}
	r.Properties = append(r.Properties, pairs.properties(float64(lackOfFit(polished, cells).ResidualSD))...)
	return s, orders
}

// words says for people what the test of lack of fit gave.
func (x *Misfit) words(properties int) {
	if x.Text != "" || !x.ResidualSD.Known() {
		return
	}
	numbers := fmt.Sprintf("residuals %.2g %%, repeatability %.2g %%", 100*float64(x.ResidualSD), 100*float64(x.RepeatabilitySD))
	switch {
	case x.Expected && properties == 0:
		x.Text = "this matrix is as the model expects: " + numbers
	case x.Expected:
		x.Text = "with the properties of parts named here this matrix is as the model expects: " + numbers
	default:
		x.Text = "this matrix is not as the model expects: " + numbers + "; a cell that stands out may be wrong, or the model may"
	}
}

// outside says why cells are in no model, alike reasons together.
func outside(cells []Cell) []string {
	var out []string
	count := map[string]int{}
	first := map[string]Cell{}
	for _, c := range cells {
		why := ""
		switch {
		case len(c.used) == 0:
			why = "no usable pass"
		case c.capped():
			why = "held by a frame cap"
		default:
			if why = c.unmodelled(); why == "" {
				continue
			}
		}
		if count[why]++; count[why] == 1 {
			out, first[why] = append(out, why), c
		}
	}
	for i, why := range out {
		c := first[why]
		text := fmt.Sprintf("%s (%s): %s", c.Name(), someIDs(c.IDs()), why)
		if n := count[why]; n > 1 {
			text += fmt.Sprintf("; so it is with %s more", record.Count(n-1, "cell"))
		}
		out[i] = text
	}
	return out
}

// tooSmall says what a game lacks of which no cell can be tested.
func (m *Model) tooSmall() string {
	values := func(factor string, of *names) int {
		seen := map[string]bool{}
		for _, v := range of.values {
			seen[v[factor]] = true
		}
		return len(seen)
	}
	return fmt.Sprintf("%s: %s of %s and %s do not tell what to expect of each other; it takes several processors and several cards, each with each, in the same settings",
		cmp.Or(m.Game, "no named game"), record.Count(len(m.points), "cell"), record.Count(values(record.TagProcessor, m.c), "processor"),
		record.Count(values(record.TagGraphics, m.g), "card"))
}

// oddResiduals returns the cells that the model of all others does not explain, their
// indexes, the model without them and the number of cells tested. What cannot be tested is
// noted in r, if there is one.
func (m *Model) oddResiduals(cells []Cell, r *OddReport) (odd []Odd, found []int, left *Model, tested int) {
	rest := *m
	rest.points, rest.cells = slices.Clone(m.points), slices.Clone(m.cells)
	for round := 0; round <= len(m.points)/10; round++ {
		fit, err := stats.FitSoftMin(rest.points, len(m.c.values), len(m.g.values))
		if err != nil {
			if round == 0 && r != nil {
				r.Outside = append(r.Outside, m.tooSmall())
			}
			return odd, found, left, tested
		}
		rest.fit = fit
		left = &Model{}
		*left = rest
		left.points, left.cells = slices.Clone(rest.points), slices.Clone(rest.cells)
		tests := rest.tests(cells)
		if round == 0 {
			tested = len(tests)
		}
		if round == 0 && r != nil {
			r.Tested += tested
			m.untestable(cells, tests, r)
			m.weak(cells, tests, r)
			if tested == 0 {
				r.Outside = append(r.Outside, m.tooSmall())
			}
		}
		worst, p := -1, math.Inf(1)
		for k, x := range tests {
			if pk := stats.TTwoSided(x.t, x.df) / x.share; pk < p && math.Abs(rest.deleted(x.point)) > oddSize {
				worst, p = k, pk
			}
		}
		if worst < 0 || p >= residualLevel {
			return odd, found, left, tested
		}
		at := tests[worst].point
		odd, found = append(odd, rest.odd(at, cells, p, tests[worst].t)), append(found, rest.cells[at])
		rest.points, rest.cells = slices.Delete(rest.points, at, at+1), slices.Delete(rest.cells, at, at+1)
	}
	return odd, found, left, tested
}

// oddTest is the test of one cell against the others.
type oddTest struct {
	point int
	t, df float64
	size  float64 // of weakSize in standard errors of the residual
	share float64 // of the level; the shares of a game sum to 1
}

// tests returns the tests of all cells that the others determine.
func (m *Model) tests(cells []Cell) []oddTest {
	var out []oddTest
	var sizes []float64
	for i := range m.points {
		t, df, s, ok := m.studentised(i, cells)
		if !ok {
			continue
		}
		size := math.Log1p(weakSize) * math.Sqrt(1-m.fit.Leverage[i]) / s
		out, sizes = append(out, oddTest{point: i, t: t, df: df, size: size}), append(sizes, size)
	}
	for k, x := range shares(sizes, residualLevel) {
		out[k].share = evenPart/float64(len(sizes)) + (1-evenPart)*x
	}
	return out
}

// shares divides a level among two-sided tests so that the mean probability of finding an
// effect is greatest, sizes being what the effect is in standard errors in each: test k is
// held against the critical value sizes[k]/2 + c/sizes[k] of the normal distribution, c
// chosen so that the levels sum to the whole (weighted Bonferroni; Roeder and Wasserman,
// Statistical Science 24, 398, 2009, with one size for all effects; from memory). It
// follows from Lagrange's rule: the gain of power per level, phi(c_k - size) / phi(c_k), is
// the same everywhere. Tests that find the effect anyway, and such as hardly can, leave
// their part to those between.
func shares(sizes []float64, level float64) []float64 {
	critical := func(size, c float64) float64 { return math.Erfc(math.Max(0, size/2+c/size) / math.Sqrt2) }
	low, high := 0.0, 0.0
	for _, size := range sizes {
		high = math.Max(high, 8*size)
		low = math.Min(low, -size*size/2)
	}
	for range 100 {
		c, sum := (low+high)/2, 0.0
		for _, size := range sizes {
			sum += critical(size, c)
		}
		if sum > level {
			low = c
		} else {
			high = c
		}
	}
	out := make([]float64, len(sizes))
	for k, size := range sizes {
		out[k] = critical(size, high) / level
	}
	return out
}

// untestable lists the cells without a test.
func (m *Model) untestable(cells []Cell, tests []oddTest, r *OddReport) {
	tested := map[int]bool{}
	for _, x := range tests {
		tested[x.point] = true
	}
	for i, at := range m.cells {
		if !tested[i] {
			r.Untestable = append(r.Untestable, cells[at].Name())
		}
	}
}

// weak lists the cells at which a deviation of weakSize would often be missed.
func (m *Model) weak(cells []Cell, tests []oddTest, r *OddReport) {
	for _, x := range tests {
		critical := stats.TQuantile(1-residualLevel*x.share/2, x.df)
		size := (critical + stats.TQuantile(0.95, x.df)) / x.size * math.Log1p(weakSize)
		if size > math.Log1p(weakSize) {
			r.Weak = append(r.Weak, Weak{cells[m.cells[x.point]].Name(), Number(math.Expm1(size))})
		}
	}
}

// deleted is ln(measured / expected), expected from all other cells to first order.
func (m *Model) deleted(i int) float64 {
	return (math.Log(m.points[i].Y) - m.fit.Fitted[i]) / (1 - m.fit.Leverage[i])
}

// studentised returns the externally studentised residual of point i, its degrees of
// freedom and the standard deviation of a cell. The spread is that of the other cells about the model; where it is no larger
// than their repeatability alone explains (F test at 5 %), both are pooled.
func (m *Model) studentised(i int, cells []Cell) (t, df, s float64, ok bool) {
	h, v := m.fit.Leverage[i], m.fit.DF
	if h >= determined || v < 2 {
		return 0, 0, 0, false
	}
	e := math.Log(m.points[i].Y) - m.fit.Fitted[i]
	s2 := math.Max(0, (m.fit.RSS-e*e/(1-h))/(v-1))
	df = v - 1
	f := cells[m.cells[i]].Figure(Average)
	if r2 := math.Pow(float64(f.Spread.SD), 2) / float64(f.N); r2 > 0 {
		rv := float64(f.Spread.DF)
		switch {
		case f.Spread.Pooled && s2 <= r2*(distuv.F{D1: df, D2: rv}).Quantile(0.95):
			s2, df = (df*s2+rv*r2)/(df+rv), df+rv
		case !f.Spread.Pooled:
			s2 = math.Max(s2, r2)
		}
	}
	if !(s2 > 0) {
		return 0, 0, 0, false
	}
	return e / math.Sqrt(s2*(1-h)), df, math.Sqrt(s2), true
}

func (m *Model) odd(i int, cells []Cell, p, t float64) Odd {
	c := cells[m.cells[i]]
	d := m.deleted(i)
	x := newOdd(c, OddResidual, math.Min(1, p))
	x.Deviation, x.Expected = Number(math.Expm1(d)), Number(m.points[i].Y*math.Exp(-d))
	x.Reason = fmt.Sprintf("%+.1f %% from the %.1f FPS that the other cells make expect, %.1f standard errors", 100*math.Expm1(d), float64(x.Expected), math.Abs(t))
	return x
}

func newOdd(c Cell, kind string, p float64) Odd {
	x := Odd{Factors: c.Factors, Kind: kind, FPS: c.Figure(Average).Mean, Expected: Undefined, Deviation: Undefined, P: Number(p),
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
		w, h, ok := strings.Cut(strings.ToLower(value), "x")
		x, err1 := strconv.ParseFloat(strings.TrimSpace(w), 64)
		y, err2 := strconv.ParseFloat(strings.TrimSpace(h), 64)
		return x * y, ok && err1 == nil && err2 == nil
	case record.TagPreset:
		i := slices.Index(PresetOrder, strings.ToLower(value))
		return float64(i), i >= 0
	}
	return 0, false
}

// neighbours are two cells in a row, of which one should be the faster.
type neighbours struct {
	light, heavy Cell
	factor       string
	p, d         float64 // one-sided; d above 0 where the heavier one is faster
}

// rows divides the cells that have a rate and a rank into those that differ in one factor
// alone, the lightest first.
func rows(cells []Cell, order func(Cell) (float64, bool), others []string) [][]Cell {
	at := map[string]int{}
	var out [][]Cell
	for _, c := range cells {
		if _, ok := order(c); !ok || c.Figure(Average).N == 0 {
			continue
		}
		key := factorKey(c.Factors, others)
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
func neighboursBy(factor string, cells []Cell, models []*Model, o Options) []neighbours {
	var out []neighbours
	order := ranks(factor, cells, models)
	for _, row := range rows(cells, order, without(o.Factors, factor)) {
		for i := 1; i < len(row); i++ {
			a, b := row[i-1], row[i]
			x, _ := order(a)
			y, _ := order(b)
			fa, fb := a.Figure(Average), b.Figure(Average)
			se, df := combine(fa, fb)
			if x == y || !(se > 0) || !(df > 0) {
				continue
			}
			d := fb.logMean - fa.logMean
			out = append(out, neighbours{a, b, factor, stats.TTwoSided(d/se, df) / 2, d})
		}
	}
	return out
}

// oddOrders lists neighbouring cells in the wrong order beyond noise, but for the cells
// that are known to be odd. Of the two, the one that fits the model worse is named.
//
// Where parts have properties that the order of their ceilings does not know, no better
// part is expected to be faster.
func oddOrders(cells []Cell, models []*Model, known map[string]bool, o Options, properties bool) []Odd {
	var pairs []neighbours
	for _, factor := range o.Factors {
		if properties && (factor == record.TagProcessor || factor == record.TagGraphics) {
			continue
		}
		pairs = append(pairs, neighboursBy(factor, cells, models, o)...)
	}
	misfit := map[string]float64{}
	for _, m := range models {
		for i, at := range m.cells {
			if m.solved() && m.fit.Leverage[i] < determined {
				misfit[cells[at].Name()] = math.Abs(m.deleted(i))
			}
		}
	}
	var out []Odd
	for _, p := range pairs {
		adjusted := p.p * float64(len(pairs))
		if p.d < oddSize || adjusted >= orderLevel || known[p.light.Name()] || known[p.heavy.Name()] {
			continue
		}
		named, other, word := p.light, p.heavy, "slower"
		if misfit[p.heavy.Name()] > misfit[p.light.Name()] {
			named, other, word = p.heavy, p.light, "faster"
		}
		x := newOdd(named, OddOrder, adjusted)
		x.Expected = other.Figure(Average).Mean
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
func ranks(factor string, cells []Cell, models []*Model) func(Cell) (float64, bool) {
	if factor != record.TagProcessor && factor != record.TagGraphics {
		return func(c Cell) (float64, bool) { return rank(factor, c.Factors[factor]) }
	}
	ceilings := map[string]float64{}
	for _, m := range models {
		if !m.solved() {
			continue
		}
		for i, at := range m.cells {
			p := m.points[i]
			v := m.fit.G[p.G]
			if factor == record.TagProcessor {
				v = m.fit.C[p.C]
			}
			// Steps of a few per cent make near equals equal, which are not compared.
			ceilings[cells[at].Name()] = -math.Round(math.Log(v) / math.Log(stepRatio))
		}
	}
	return func(c Cell) (float64, bool) {
		v, ok := ceilings[c.Name()]
		return v, ok
	}
}
