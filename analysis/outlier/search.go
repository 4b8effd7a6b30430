package outlier

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/stats"
)

// Conventions of the search.
const (
	// most is the share of the cells of a matrix that the search takes out.
	most = 0.1
	// someOfPairs is the share of the pairs beyond which all of them are taken to deviate.
	someOfPairs = 0.2
	// predicts is what a driver must take off the squared error of a game's cells left out.
	predicts = 0.85
	// moveSize is the deviation from which the rates of another part are thought of, and
	// moveGain what these must leave of the squared error as it is filed.
	moveSize, moveGain = 0.03, 0.2
	// moveTries is how many pairs are looked at, those that most is left of.
	moveTries = 6
)

// kind of a term.
type kind int

const (
	ofCell kind = iota
	ofPair
	ofDriver
)

// candidate is a term that may be added, with its test.
type candidate struct {
	kind  kind
	at    int // cell, pair, or game of a driver
	cards map[int]bool
	t, df float64
	p     float64 // adjusted for all of its kind, over the level
	log   float64 // the deviation
}

// Search looks for what the soft minimum does not explain.
func (m *Matrix) Search() Report {
	plain := m.plain()
	s := m.forward(plain)
	if s.someDeviate() {
		s = m.forward(plain.with(func(x *state) { x.random = true }))
	}
	r := s.report()
	r.Plain = plain.residuals()
	return r
}

// someDeviate reports whether more of the pairs deviate than terms of their own are for:
// many have such a term, or what lies between the others is more than noise.
func (s *state) someDeviate() bool {
	if s.tooManyPairs() {
		return true
	}
	// The variance lies at the border of its range: half of chi square with one degree of freedom.
	x := s.with(func(x *state) { x.random = true })
	return distuv.ChiSquared{K: 1}.Survival(x.likelihood)/2 < s.m.setting.Rich
}

func (s *state) tooManyPairs() bool {
	return float64(len(s.fixed)) > math.Max(1, someOfPairs*float64(len(s.m.pairs)))
}

func (m *Matrix) forward(s *state) *state {
	for step := range 2*len(m.pairs) + len(m.cells)/4 + 4 {
		best, ok := s.best()
		if step == 0 || ok && math.Abs(best.log) > moveSize {
			if x := s.move(best, ok); x != nil {
				s = x
				continue
			}
		}
		if !ok {
			before := s
			if s = s.backward(); s.like(before) {
				return s
			}
			continue
		}
		if best.kind == ofCell && float64(s.cellsOut()) >= most*float64(len(m.cells))+1 {
			break
		}
		next := s.with(best.add)
		if best.kind == ofDriver && !next.predicts(s, best.at) {
			// Try what else there is without asking again for what does not predict.
			if best, ok = s.best(best.at); !ok {
				break
			}
			next = s.with(best.add)
		}
		if s = next; s.tooManyPairs() {
			return s
		}
	}
	return s
}

func (c candidate) add(x *state) {
	switch c.kind {
	case ofCell:
		x.out[c.at] = true
	case ofPair:
		x.fixed[c.at] = true
	case ofDriver:
		x.driven[c.at] = c.cards
	}
}

func (s *state) cellsOut() (n int) {
	for _, out := range s.out {
		if out {
			n++
		}
	}
	return n
}

// like reports whether two states have the same terms.
func (s *state) like(x *state) bool {
	if !slices.Equal(s.out, x.out) || len(s.fixed) != len(x.fixed) {
		return false
	}
	for k := range s.fixed {
		if !x.fixed[k] {
			return false
		}
	}
	for g := range s.driven {
		if len(s.driven[g]) != len(x.driven[g]) {
			return false
		}
	}
	for k := range s.moved {
		if (s.moved[k] == nil) != (x.moved[k] == nil) {
			return false
		}
	}
	return true
}

// predicts reports whether a driver takes enough off the error of cells left out.
func (s *state) predicts(without *state, game int) bool {
	return s.press(game) < predicts*without.press(game)
}

// press is the sum of squares of the errors of cells left out, to first order (Allen 1974).
func (s *state) press(game int) (sum float64) {
	for _, i := range s.cells[game] {
		sum += square(s.e[i] / math.Max(s.free[i], undetermined))
	}
	return sum
}

// best returns the most certain term of all that are not in; ok is false where none is
// certain. Drivers of the games named are left out.
func (s *state) best(games ...int) (best candidate, ok bool) {
	for _, c := range s.candidates() {
		if c.kind == ofDriver && slices.Contains(games, c.at) {
			continue
		}
		if !(c.p < 1) || math.Abs(math.Expm1(c.log)) <= s.m.setting.Least {
			continue
		}
		if !ok || math.Abs(c.t) > math.Abs(best.t) {
			best, ok = c, true
		}
	}
	return best, ok
}

func (s *state) candidates() []candidate {
	out := s.cellCandidates()
	if !s.random {
		out = append(out, s.pairCandidates()...)
	}
	for g := range s.m.games {
		if s.driven[g] == nil && s.solved[g] {
			out = append(out, s.driverCandidates(g)...)
		}
	}
	return out
}

// cellCandidates tests all cells that the others determine; see studentised.
func (s *state) cellCandidates() []candidate {
	var out []candidate
	var sizes []float64
	for i := range s.m.cells {
		t, df, sd, ok := s.studentised(i)
		if !ok {
			continue
		}
		out = append(out, candidate{kind: ofCell, at: i, t: t, df: df, log: s.e[i] / s.free[i]})
		sizes = append(sizes, math.Log1p(s.m.setting.Aim)*math.Sqrt(s.free[i])/sd)
	}
	for k, share := range shares(sizes, s.m.setting.Level) {
		share = evenPart/float64(len(sizes)) + (1-evenPart)*share
		out[k].p = stats.TTwoSided(out[k].t, out[k].df) / share / s.m.setting.Level
	}
	return out
}

// studentised returns the externally studentised residual of a cell, its degrees of freedom
// and the standard deviation of a cell (Cook and Weisberg 1982, from memory). The spread is
// that of the other cells about the model; where it is no larger than their repeatability
// alone explains (F test at 5 %), both are pooled.
func (s *state) studentised(i int) (t, df, sd float64, ok bool) {
	g := s.m.cells[i].Game
	free := s.free[i]
	if free <= undetermined || s.df[g] < 2 {
		return 0, 0, 0, false
	}
	df = s.df[g] - 1
	s2 := math.Max(0, (s.rss[g]-square(s.e[i])/free)/df)
	if repeat := s.m.cells[i].Repeat; repeat.SD > 0 {
		r2 := square(repeat.SD)
		switch {
		case repeat.Pooled && s2 <= r2*(distuv.F{D1: df, D2: repeat.DF}).Quantile(0.95):
			s2, df = (df*s2+repeat.DF*r2)/(df+repeat.DF), df+repeat.DF
		case !repeat.Pooled:
			s2 = math.Max(s2, r2)
		}
	}
	if !(s2 > 0) {
		return 0, 0, 0, false
	}
	return s.e[i] / math.Sqrt(s2*free), df, math.Sqrt(s2), true
}

// spread returns the sum of squares in units of scale, with its degrees of freedom.
func (s *state) spread() (squares, df float64) {
	for g := range s.m.games {
		if s.solved[g] {
			squares, df = squares+s.rss[g]/square(s.scale[g]), df+s.df[g]
		}
	}
	return squares, df
}

// tested tests one change of several cells with all that is in; ok is false where the
// ceilings would follow it.
func (s *state) tested(x column) (c candidate, ok bool) {
	score, information := s.against(x)
	whole := 0.0
	for k, i := range x.cells {
		whole += square(x.raw[k] / s.scale[s.m.cells[i].Game])
	}
	squares, df := s.spread()
	if !(information > undetermined*whole) || df < 3 {
		return c, false
	}
	gain := square(score) / information
	s2 := math.Max((squares-gain)/(df-1), 1e-12)
	return candidate{t: score / math.Sqrt(information*s2), df: df - 1, log: score / information}, true
}

func (s *state) pairCandidates() []candidate {
	var out []candidate
	for k := range s.m.pairs {
		if s.fixed[k] {
			continue
		}
		x := s.ofPair(k)
		if len(x.cells) < 2 {
			continue
		}
		if c, ok := s.tested(x); ok {
			c.kind, c.at = ofPair, k
			c.p = stats.TTwoSided(c.t, c.df) * float64(len(s.m.pairs)) / s.m.setting.Rich
			out = append(out, c)
		}
	}
	return out
}

// driverCandidates tests whether some of a game's cards change the processors' ceilings: the
// cards of one maker where the makers are known, else every division of the cards in two
// along what each shifts by itself, held against all divisions that there are.
func (s *state) driverCandidates(game int) []candidate {
	groups, tries := s.groups(game)
	var out []candidate
	for _, group := range groups {
		if c, ok := s.tested(s.ofDriver(game, group)); ok {
			c.kind, c.at, c.cards = ofDriver, game, group
			c.p = stats.TTwoSided(c.t, c.df) * tries * float64(len(s.m.games)) / s.m.setting.Rich
			out = append(out, c)
		}
	}
	return out
}

// ofDriver is a change of the processors' ceilings with some cards.
func (s *state) ofDriver(game int, cards map[int]bool) column {
	var cells []int
	var raw []float64
	for k, i := range s.cells[game] {
		if cards[s.m.cells[i].Card] {
			cells, raw = append(cells, i), append(raw, s.fit[game].Share[k])
		}
	}
	return s.column(cells, raw)
}

func (s *state) groups(game int) (groups []map[int]bool, tries float64) {
	var cards []int
	for _, i := range s.cells[game] {
		if c := s.m.cells[i].Card; !slices.Contains(cards, c) {
			cards = append(cards, c)
		}
	}
	slices.Sort(cards)
	if len(cards) < 2 {
		return nil, 0
	}
	if makers := s.m.setting.Makers; makers != nil {
		by := map[int]map[int]bool{}
		var order []int
		for _, c := range cards {
			if by[makers[c]] == nil {
				by[makers[c]] = map[int]bool{}
				order = append(order, makers[c])
			}
			by[makers[c]][c] = true
		}
		if len(order) < 2 {
			return nil, 0
		}
		for _, k := range order {
			groups = append(groups, by[k])
		}
		return groups, float64(len(groups))
	}
	shift := map[int]float64{}
	for _, c := range cards {
		if x, ok := s.tested(s.ofDriver(game, map[int]bool{c: true})); ok {
			shift[c] = x.log
		}
	}
	sort.SliceStable(cards, func(i, j int) bool { return shift[cards[i]] < shift[cards[j]] })
	for k := 1; k < len(cards); k++ {
		group := map[int]bool{}
		for _, c := range cards[:k] {
			group[c] = true
		}
		groups = append(groups, group)
	}
	return groups, math.Exp2(float64(len(cards)-1)) - 1
}

// backward takes out the terms that the others explain.
func (s *state) backward() *state {
	for range len(s.m.cells) {
		worst := (*state)(nil)
		least := math.Inf(1)
		for _, without := range s.lesser() {
			if t, stays := without.needs(s); !stays && t < least {
				worst, least = without, t
			}
		}
		if worst == nil {
			return s
		}
		s = worst
	}
	return s
}

// lesser lists the states with one cell or pair less.
func (s *state) lesser() (out []*state) {
	if n := s.cellsOut() + len(s.fixed); n < 2 && !(n == 1 && s.anyDriven()) {
		return nil // the one that was taken in just now
	}
	for i, gone := range s.out {
		if gone {
			out = append(out, s.near(func(x *state) { x.out[i] = false }))
		}
	}
	for k := range s.fixed {
		out = append(out, s.near(func(x *state) { delete(x.fixed, k) }))
	}
	return out
}

func (s *state) anyDriven() bool {
	return slices.ContainsFunc(s.driven, func(of map[int]bool) bool { return of != nil })
}

// needs tests, in a state with one term less, the term that it lacks.
func (s *state) needs(full *state) (t float64, stays bool) {
	for _, c := range append(s.cellCandidates(), s.missingPairs(full)...) {
		if c.kind == ofCell && full.out[c.at] || c.kind == ofPair {
			return math.Abs(c.t), c.p < 1
		}
	}
	return 0, true // the others do not determine it
}

func (s *state) missingPairs(full *state) (out []candidate) {
	for _, c := range s.pairCandidates() {
		if full.fixed[c.at] {
			out = append(out, c)
		}
	}
	return out
}
