package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/record"
	"capd.example/stats"
)

// Misfit says how far the matrix is from what the model expects, what explains it, and what
// that means for single cells.
type Misfit struct {
	ResidualSD      Number `json:"residual_sd"`      // of ln rate, of a cell about the model
	RepeatabilitySD Number `json:"repeatability_sd"` // of ln rate, of the mean of a cell's passes
	P               Number `json:"p"`                // of residuals that large by the repeatability alone
	Expected        bool   `json:"as_expected"`      // by the F test at 1 %
	Text            string `json:"text"`             // for people
}

// Property is a deviation that belongs to parts and not to one cell.
type Property struct {
	Game      string   `json:"game,omitempty"` // of a driver; a pair's holds for all games
	Processor string   `json:"cpu,omitempty"`  // of a pair
	Cards     []string `json:"gpus"`           // one of a pair, or those with one driver
	Deviation Number   `json:"deviation"`      // of the pair's rates, or of the processors' ceilings with these cards
	Cells     int      `json:"cells"`
	Text      string   `json:"text"`
}

const (
	misfitLevel = 0.01 // of the test of lack of fit
	// richLevel is the level at which a richer model is taken, and richGain what it must take
	// off the error of a cell left out (conventions).
	richLevel, richGain = 0.001, 0.85
	// manyOdd is the share of the cells beyond which no cell is named: what many cells do is no
	// fault of one (a convention).
	manyOdd = 0.05
)

// lackOfFit compares the residuals of the models with the repeatability of the cells.
func lackOfFit(models []*Model, cells []Cell) Misfit {
	var rss, df, n float64
	var own []*basis
	pooled := map[poolKey]*basis{}
	within := map[*basis]float64{} // by what it is known from
	for _, m := range models {
		if !m.solved() {
			continue
		}
		rss, df = rss+m.fit.RSS, df+m.fit.DF
		for _, at := range m.cells {
			f := cells[at].Figure(Average)
			if f.basis == nil {
				continue
			}
			of := f.basis
			if of.pooled && pooled[of.key] == nil {
				pooled[of.key] = of
			}
			if of.pooled {
				of = pooled[of.key]
			}
			if _, seen := within[of]; !seen {
				own = append(own, of)
			}
			within[of] += f.basis.sd * f.basis.sd / f.basis.n
			n++
		}
	}
	x := Misfit{ResidualSD: Undefined, RepeatabilitySD: Undefined, P: Undefined, Expected: true}
	var se, free []float64
	for _, of := range own {
		se, free = append(se, math.Sqrt(within[of]/n)), append(free, of.df)
	}
	repeatability, v := stats.Satterthwaite(se, free)
	if !(df >= 1) || !(repeatability > 0) || !(v > 0) {
		return x
	}
	x.ResidualSD, x.RepeatabilitySD = Number(math.Sqrt(rss/df)), Number(repeatability)
	x.P = Number(distuv.F{D1: df, D2: math.Min(v, 1e6)}.Survival(rss / df / (repeatability * repeatability)))
	x.Expected = !(x.P < misfitLevel)
	return x
}

// search is one way of looking for odd cells: candidates and what is left without them.
type search struct {
	odd    []Odd
	rest   []*Model
	cells  []int // indexes of the candidates
	tested int
}

// seek looks for odd cells in each model by itself.
func seek(models []*Model, cells []Cell, r *OddReport) search {
	var s search
	for _, m := range models {
		odd, at, rest, tested := m.oddResiduals(cells, r)
		s.odd, s.cells, s.tested = append(s.odd, odd...), append(s.cells, at...), s.tested+tested
		if rest != nil {
			s.rest = append(s.rest, rest)
		}
	}
	return s
}

// groupsOfCards lists divisions of a model's cards into those whose driver may cost the
// processor alike: by the drivers' names where they are known to be of two kinds, else every
// division in two along the order of what each card shifts by itself.
func (m *Model) groupsOfCards(cells []Cell, o Options) [][]string {
	var cards []string
	kind := map[string]string{}
	for _, at := range m.cells {
		c := cells[at]
		card := c.Factors[record.TagGraphics]
		if !slices.Contains(cards, card) {
			cards = append(cards, card)
		}
		if k := makerOf(c, o); k != "" {
			kind[card] = k
		}
	}
	if len(cards) < 2 {
		return nil
	}
	byKind := map[string][]string{}
	for _, c := range cards {
		byKind[kind[c]] = append(byKind[kind[c]], c)
	}
	if len(kind) == len(cards) {
		if len(byKind) < 2 {
			return nil
		}
		var out [][]string
		for _, group := range byKind {
			slices.SortFunc(group, naturally)
			out = append(out, group)
		}
		slices.SortFunc(out, func(a, b []string) int { return naturally(a[0], b[0]) })
		return out
	}
	number := map[string]int{}
	for i, c := range cards {
		number[c] = i
	}
	fit, err := m.refit(cells, func(c Cell) int { return number[c.Factors[record.TagGraphics]] })
	if err != nil {
		return nil
	}
	shift := func(c string) float64 {
		if number[c] == 0 {
			return 1
		}
		return fit.D[number[c]-1]
	}
	sort.SliceStable(cards, func(i, j int) bool { return shift(cards[i]) < shift(cards[j]) })
	var out [][]string
	for k := 1; k < len(cards); k++ {
		out = append(out, slices.Clone(cards[:k]))
	}
	return out
}

// makerOf names what drives a cell's card, as far as the detected system tells: the first
// word of its name.
func makerOf(c Cell, o Options) string {
	for _, u := range c.used {
		if f, ok := o.Systems[u.System].Get(record.FieldGraphicsName); ok && !u.SystemLater() {
			word, _, _ := strings.Cut(f.Value, " ")
			return strings.ToLower(word)
		}
	}
	return ""
}

// refit fits the model again with a factor of the processor's ceiling for each group of
// cards.
func (m *Model) refit(cells []Cell, group func(Cell) int) (stats.SoftMinFit, error) {
	points := slices.Clone(m.points)
	for i := range points {
		points[i].D = group(cells[m.cells[i]])
	}
	return stats.FitSoftMin(points, len(m.c.values), len(m.g.values))
}

// press is the sum of squares of the errors of cells left out, to first order.
func press(fit stats.SoftMinFit, points []stats.SoftMinPoint) float64 {
	sum := 0.0
	for i, p := range points {
		e := (math.Log(p.Y) - fit.Fitted[i]) / math.Max(1-fit.Leverage[i], 1-determined)
		sum += e * e
	}
	return sum
}

// withDriver returns the model with the division of its cards that predicts cells left out
// best, where it does so clearly better than none; ok is false where it does not.
func (m *Model) withDriver(cells []Cell, o Options, tries [][]string) (rich *Model, p Property, ok bool) {
	if !m.solved() {
		return nil, p, false
	}
	base := press(m.fit, m.points)
	least := richGain * base
	for _, group := range tries {
		in := func(c Cell) int {
			if slices.Contains(group, c.Factors[record.TagGraphics]) {
				return 1
			}
			return 0
		}
		fit, err := m.refit(cells, in)
		if err != nil || !(fit.DF >= 1) || len(fit.D) != 1 {
			continue
		}
		f := (m.fit.RSS - fit.RSS) / (fit.RSS / fit.DF)
		if press := press(fit, m.points); press < least && f > 0 && (distuv.F{D1: 1, D2: fit.DF}).Survival(f)*float64(len(tries)) < richLevel {
			least, ok = press, true
			x := *m
			x.points, x.cells = slices.Clone(m.points), slices.Clone(m.cells)
			n := 0
			for i := range x.points {
				x.points[i].D = in(cells[x.cells[i]])
				n += x.points[i].D
			}
			x.fit = fit
			rich = &x
			p = Property{Game: m.Game, Cards: group, Deviation: Number(fit.D[0] - 1), Cells: n}
			p.Text = fmt.Sprintf("%s: with %s the processors' ceilings are %+.1f %%, in all %d cells with them: a cost of their driver, say, and no fault of a cell",
				cmp.Or(m.Game, "no named game"), strings.Join(group, ", "), 100*float64(p.Deviation), n)
		}
	}
	return rich, p, ok
}

// pairKey is a processor with a card.
type pairKey struct{ cpu, gpu string }

func pairOf(c Cell) pairKey {
	return pairKey{c.Factors[record.TagProcessor], c.Factors[record.TagGraphics]}
}

// pairs are what each pair of parts deviates by in all of its cells, in all games.
type pairs struct {
	effect map[pairKey]float64
	n      map[pairKey]int
	p      float64 // of none deviating
}

// pairsOf estimates by medians, so that one odd cell moves none far, and fits the models to
// what is left, in turns (Tukey's way of polishing, here about the model).
func pairsOf(models []*Model, cells []Cell) (pairs, []*Model) {
	x := pairs{effect: map[pairKey]float64{}, n: map[pairKey]int{}, p: 1}
	now := make([]*Model, len(models))
	copy(now, models)
	var first map[pairKey][]float64
	for range 6 {
		left := map[pairKey][]float64{}
		for _, m := range now {
			for i, at := range m.cells {
				if m.solved() && m.fit.Leverage[i] < determined {
					left[pairOf(cells[at])] = append(left[pairOf(cells[at])], math.Log(m.points[i].Y)-m.fit.Fitted[i])
				}
			}
		}
		if first == nil {
			first = left
		}
		for k, e := range left {
			x.n[k] = len(e)
			if len(e) > 1 {
				x.effect[k] += median(e)
			}
		}
		for i, m := range models {
			y := *m
			y.points = slices.Clone(m.points)
			for j, at := range y.cells {
				y.points[j].Y *= math.Exp(-x.effect[pairOf(cells[at])])
			}
			if fit, err := stats.FitSoftMin(y.points, len(y.c.values), len(y.g.values)); err == nil {
				y.fit = fit
			}
			now[i] = &y
		}
	}
	// The analysis of variance of the residuals by pairs. The models have taken part of what
	// pairs share, so that the test rather says too little.
	var between, count, inside, free float64
	for _, e := range first {
		if len(e) < 2 {
			continue
		}
		m := meanSD(e)
		between, count = between+float64(len(e))*m.mean*m.mean, count+1
		inside, free = inside+float64(len(e)-1)*m.sd*m.sd, free+float64(len(e)-1)
	}
	if count > 0 && inside > 0 {
		x.p = distuv.F{D1: count, D2: free}.Survival(between / count / (inside / free))
	}
	return x, now
}

// properties lists the pairs that deviate clearly, the farthest first.
func (x pairs) properties(s float64) []Property {
	var out []Property
	for k, d := range x.effect {
		if n := x.n[k]; n > 2 && math.Abs(d) > oddSize/2 && math.Abs(d) > 4*s/math.Sqrt(float64(n)) {
			out = append(out, Property{Processor: k.cpu, Cards: []string{k.gpu}, Deviation: Number(math.Expm1(d)), Cells: n,
				Text: fmt.Sprintf("%s with %s: %+.1f %% in all of their %d cells: a property of this pair, or of the session in which it was measured, and no fault of a cell", k.cpu, k.gpu, 100*math.Expm1(d), n)})
		}
	}
	sort.Slice(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if x, y := math.Abs(float64(a.Deviation)), math.Abs(float64(b.Deviation)); x != y {
			return x > y
		}
		return a.Text < b.Text
	})
	return out
}

// oddInPairs looks for cells that deviate from what the other cells of their pair do. The
// residual e of a cell with leverage h varies as s^2 (1-h), and so it is held against the
// mean of the n others of its pair with the variance s^2 (1 - h + sum (1-h_j) / n^2). The
// worst is taken out and pairs and models are fitted again, the models being without what
// each pair does.
func oddInPairs(models, polished []*Model, cells []Cell) (search, []*Model) {
	var s search
	most := 0
	for _, m := range models {
		most += len(m.cells)
	}
	for len(s.odd) <= most/20 {
		odd, at := worstInPairs(polished, cells, most)
		if at < 0 {
			break
		}
		s.odd, s.cells = append(s.odd, odd), append(s.cells, at)
		models = leaveOut(models, at)
		_, polished = pairsOf(models, cells)
	}
	return s, polished
}

// leaveOut returns models without a cell, fitted again.
func leaveOut(models []*Model, cell int) []*Model {
	out := slices.Clone(models)
	for i, m := range out {
		k := slices.Index(m.cells, cell)
		if k < 0 {
			continue
		}
		x := *m
		x.points, x.cells = slices.Delete(slices.Clone(m.points), k, k+1), slices.Delete(slices.Clone(m.cells), k, k+1)
		if fit, err := stats.FitSoftMin(x.points, len(x.c.values), len(x.g.values)); err == nil {
			x.fit = fit
			out[i] = &x
		}
	}
	return out
}

// residual is what a model leaves of a cell.
type residual struct {
	m       *Model
	i       int     // of the model's points
	e, free float64 // free is 1 less the leverage
	pair    pairKey
}

// residuals are those of all models, by pairs of parts too.
type residuals struct {
	all    []residual
	byPair map[pairKey][]residual
}

func residualsOf(models []*Model, cells []Cell) residuals {
	out := residuals{byPair: map[pairKey][]residual{}}
	for _, m := range models {
		for i, at := range m.cells {
			if m.solved() && m.fit.Leverage[i] < determined {
				out.all = append(out.all, residual{m, i, math.Log(m.points[i].Y) - m.fit.Fitted[i], 1 - m.fit.Leverage[i], pairOf(cells[at])})
			}
		}
	}
	for _, c := range out.all {
		out.byPair[c.pair] = append(out.byPair[c.pair], c)
	}
	return out
}

// fromPair returns how far a cell deviates by comparison with the others of its pair, and its
// distance from them in units of the standard deviation of one.
func (r residuals) fromPair(c residual) (deviation, z float64, ok bool) {
	var sum, variance, n float64
	for _, x := range r.byPair[c.pair] {
		if x.m != c.m || x.i != c.i {
			sum, variance, n = sum+x.e, variance+x.free, n+1
		}
	}
	if n < 2 {
		return 0, 0, false
	}
	d := c.e - sum/n
	return d / c.free, d / math.Sqrt(c.free+variance/(n*n)), true
}

// withinPairs returns the sum of squares of what lies between the cells of one pair, with
// its degrees of freedom.
func (r residuals) withinPairs() (squares, df float64) {
	for _, of := range r.byPair {
		if len(of) < 2 {
			continue
		}
		z := make([]float64, len(of))
		for i, x := range of {
			z[i] = x.e / math.Sqrt(x.free)
		}
		sd := meanSD(z).sd
		squares, df = squares+sd*sd*float64(len(of)-1), df+float64(len(of)-1)
	}
	return squares, df
}

// worstInPairs returns the cell that deviates most certainly of tests, and its index, -1
// where none does.
func worstInPairs(models []*Model, cells []Cell, tests int) (Odd, int) {
	r := residualsOf(models, cells)
	squares, df := r.withinPairs()
	worst, least, deviation, size := -1, math.Inf(1), 0.0, 0.0
	for k, c := range r.all {
		d, z, ok := r.fromPair(c)
		n := float64(len(r.byPair[c.pair]))
		s2 := (squares - z*z*(n-1)/n) / (df - 1)
		if !ok || df < 6 || !(s2 > 0) || math.Abs(d) < oddSize {
			continue
		}
		t := z / math.Sqrt(s2)
		if p := stats.TTwoSided(t, df-1) * float64(tests); p < least {
			worst, least, deviation, size = k, p, d, math.Abs(t)
		}
	}
	if worst < 0 || least >= residualLevel {
		return Odd{}, -1
	}
	c := r.all[worst]
	at := c.m.cells[c.i]
	o := newOdd(cells[at], OddResidual, math.Min(1, least))
	o.Deviation, o.Expected = Number(math.Expm1(deviation)), Number(math.Exp(cells[at].Figure(Average).logMean-deviation))
	o.Reason = fmt.Sprintf("%+.1f %% from the %.1f FPS that the other cells make expect, those of the same pair of parts above all, %.1f standard errors", 100*math.Expm1(deviation), float64(o.Expected), size)
	return o, at
}
