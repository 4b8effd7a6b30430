package outlier

import (
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"capd.example/stats"
)

// state is a model of the matrix: which terms are in, and what is left with them.
type state struct {
	m      *Matrix
	out    []bool       // cells with a term of their own
	moved  []*Move      // by pair
	gain   []float64    // of moved pairs, the adjusted p of the move
	fixed  map[int]bool // pairs with an effect of their own
	random bool         // all pairs have one, from one distribution
	driven []map[int]bool

	start []stats.SoftMinFit // where the fits begin, if anywhere
	from  []float64          // and the effects

	effect []float64 // of each pair
	fit    []stats.SoftMinFit
	pts    [][]stats.SoftMinPoint // of each game, as they were fitted
	cells  [][]int
	solved []bool
	scale  []float64 // standard deviation of a cell's residual in each game
	e      []float64 // residual of each cell
	free   []float64 // its variance in units of the square of scale; 0 where the cell has none
	rss    []float64 // of each game
	df     []float64

	used []int // pairs with an effect
	z    []column
	k    *mat.SymDense // inverse of the effects' information
	// likelihood is twice the gain of restricted log likelihood by the variance of pairs.
	likelihood float64
	variance   float64 // of pairs, in units of scale
}

// column is what is left of a change of some cells once the ceilings have followed it.
type column struct {
	cells []int
	raw   []float64 // of these cells
	left  []float64 // of all cells
}

func (m *Matrix) plain() *state {
	s := &state{m: m, out: make([]bool, len(m.cells)), moved: make([]*Move, len(m.pairs)), gain: make([]float64, len(m.pairs)), fixed: map[int]bool{}, driven: make([]map[int]bool, len(m.games))}
	s.solve()
	return s
}

// with returns a copy with other terms, solved.
func (s *state) with(change func(*state)) *state {
	x := s.clone()
	change(x)
	x.solve()
	return x
}

func (s *state) clone() *state {
	return &state{m: s.m, out: slices.Clone(s.out), moved: slices.Clone(s.moved), gain: slices.Clone(s.gain), fixed: maps.Clone(s.fixed), random: s.random, driven: slices.Clone(s.driven)}
}

// near does as with, but fits from where s ended: for a term that hardly moves the ceilings.
func (s *state) near(change func(*state)) *state {
	x := s.clone()
	change(x)
	x.start, x.from = s.fit, s.effect
	x.solve()
	x.start, x.from = nil, nil
	return x
}

// rounds is how often effects of pairs and ceilings are fitted in turns; each is a step of
// Newton's method, so that few are needed.
const rounds = 6

func (s *state) solve() {
	m := s.m
	s.effect = make([]float64, len(m.pairs))
	s.fit, s.solved = make([]stats.SoftMinFit, len(m.games)), make([]bool, len(m.games))
	s.scale, s.rss, s.df = make([]float64, len(m.games)), make([]float64, len(m.games)), make([]float64, len(m.games))
	s.pts, s.cells = make([][]stats.SoftMinPoint, len(m.games)), make([][]int, len(m.games))
	s.used = nil
	for k := range m.pairs {
		if s.random || s.fixed[k] {
			s.used = append(s.used, k)
		}
	}
	if s.from != nil {
		for _, k := range s.used {
			s.effect[k] = s.from[k]
		}
	}
	for round := range rounds {
		s.fitGames(round == 0)
		s.project()
		change := s.improve()
		if len(s.used) == 0 || change < 1e-5 {
			break
		}
	}
	s.settle()
}

func (s *state) fitGames(first bool) {
	m := s.m
	s.e, s.free = make([]float64, len(m.cells)), make([]float64, len(m.cells))
	for game := range m.games {
		p, cells := s.points(game)
		s.pts[game], s.cells[game] = p, cells
		var fit stats.SoftMinFit
		var err error
		switch {
		case first && s.start != nil && len(s.start[game].C) > 0 && (s.driven[game] == nil || len(s.start[game].D) == 1):
			fit, err = s.start[game].Refit(p)
			s.solved[game] = err == nil
		case first:
			fit, err = stats.FitSoftMin(p, m.nc[game], m.ng[game])
		case s.solved[game]:
			fit, err = s.fit[game].Refit(p)
		default:
			continue
		}
		s.solved[game] = err == nil && fit.DF >= 1
		s.rss[game], s.df[game], s.scale[game] = 0, 0, 0
		if !s.solved[game] {
			continue
		}
		s.fit[game] = fit
		s.scale[game] = math.Max(math.Sqrt(fit.RSS/fit.DF), 1e-9)
		for k, i := range cells {
			s.e[i], s.free[i] = math.Log(p[k].Y)-fit.Fitted[k], 1-fit.Leverage[k]
		}
	}
}

// column takes a change of some cells through the fits.
func (s *state) column(cells []int, raw []float64) column {
	x := column{cells: cells, raw: raw, left: make([]float64, len(s.m.cells))}
	of := map[int]float64{}
	games := map[int]bool{}
	for k, i := range cells {
		of[i] = raw[k]
		games[s.m.cells[i].Game] = true
	}
	for game := range games {
		if !s.solved[game] {
			continue
		}
		p, at := s.pts[game], s.cells[game]
		change := make([]float64, len(at))
		for k, i := range at {
			change[k] = of[i]
		}
		for k, v := range s.fit[game].Residual(p, change) {
			x.left[at[k]] = v
		}
	}
	return x
}

// inner is the product of a change with what is left of another, in units of scale.
func (s *state) inner(a, b column) (sum float64) {
	for k, i := range a.cells {
		if g := s.m.cells[i].Game; s.solved[g] && !s.out[i] {
			sum += a.raw[k] * b.left[i] / square(s.scale[g])
		}
	}
	return sum
}

// score is the product of a change with the residuals, in units of scale.
func (s *state) score(a column) (sum float64) {
	for k, i := range a.cells {
		if g := s.m.cells[i].Game; s.solved[g] && !s.out[i] {
			sum += a.raw[k] * s.e[i] / square(s.scale[g])
		}
	}
	return sum
}

// ofPair is a change of all cells of a pair alike.
func (s *state) ofPair(k int) column {
	var cells []int
	var raw []float64
	for _, i := range s.m.pairs[k] {
		if s.solved[s.m.cells[i].Game] && !s.out[i] {
			cells, raw = append(cells, i), append(raw, 1)
		}
	}
	return s.column(cells, raw)
}

func (s *state) project() {
	s.z = nil
	for _, k := range s.used {
		s.z = append(s.z, s.ofPair(k))
	}
}

// improve takes one step towards the effects of the pairs and returns its size.
func (s *state) improve() float64 {
	n := len(s.used)
	if n == 0 {
		return 0
	}
	information := mat.NewSymDense(n, nil)
	b := make([]float64, n)
	for i := range n {
		b[i] = s.score(s.z[i])
		for j := i; j < n; j++ {
			information.SetSym(i, j, (s.inner(s.z[i], s.z[j])+s.inner(s.z[j], s.z[i]))/2)
		}
	}
	ridge := 1e-9
	if s.random {
		s.restrictedLikelihood(information, b)
		ridge = 1 / math.Max(s.variance, 1e-9)
	}
	for i := range n {
		information.SetSym(i, i, information.At(i, i)+ridge)
		if s.random {
			b[i] -= ridge * s.effect[s.used[i]]
		}
	}
	var ch mat.Cholesky
	s.k = nil
	if !ch.Factorize(information) {
		return 0
	}
	inverse := mat.NewSymDense(n, nil)
	if ch.InverseTo(inverse) != nil {
		return 0
	}
	s.k = inverse
	size := 0.0
	for i := range n {
		step := 0.0
		for j := range n {
			step += inverse.At(i, j) * b[j]
		}
		size = math.Max(size, math.Abs(step))
		s.effect[s.used[i]] += step
	}
	return size
}

// restrictedLikelihood estimates the variance of the pairs' effects. With S the information
// of the effects, S = U D U', the restricted likelihood of the variance v is, but for a
// constant, -((N - p) ln Q(v) + sum ln(1 + v d_j)) / 2, Q(v) = q - sum (U'b)_j^2 v / (1 + v d_j),
// b the scores without effects and q the sum of squares without.
func (s *state) restrictedLikelihood(information *mat.SymDense, scores []float64) {
	n := len(s.used)
	var eig mat.EigenSym
	if !eig.Factorize(information, true) {
		return
	}
	d := eig.Values(nil)
	var u mat.Dense
	eig.VectorsTo(&u)
	// Scores and squares as they would be without the effects that are in already.
	b := make([]float64, n)
	for i := range n {
		b[i] = scores[i]
		for j := range n {
			b[i] += information.At(i, j) * s.effect[s.used[j]]
		}
	}
	q, free := 0.0, 0.0
	for i, x := range s.m.cells {
		if g := x.Game; s.solved[g] && !s.out[i] {
			e := s.e[i]
			for j := range n {
				e += s.z[j].left[i] * s.effect[s.used[j]]
			}
			q += square(e / s.scale[g])
		}
	}
	for g := range s.m.games {
		if s.solved[g] {
			free += s.fit[g].DF
		}
	}
	along := make([]float64, n)
	for j := range n {
		for i := range n {
			along[j] += u.At(i, j) * b[i]
		}
	}
	of := func(v float64) float64 {
		left, log := q, 0.0
		for j := range n {
			dj := math.Max(0, d[j])
			left -= square(along[j]) * v / (1 + v*dj)
			log += math.Log1p(v * dj)
		}
		if !(left > 0) {
			left = 1e-12 * q
		}
		return -(free*math.Log(left) + log) / 2
	}
	zero := of(0)
	best, at := zero, 0.0
	for k := -20; k <= 40; k++ {
		if v := math.Pow(2, float64(k)/2); of(v) > best {
			best, at = of(v), v
		}
	}
	s.variance, s.likelihood = at, 2*(best-zero)
}

// settle works out how free each cell's residual is with all terms, and the sums of squares.
func (s *state) settle() {
	n := len(s.used)
	for i, x := range s.m.cells {
		if s.out[i] || !s.solved[x.Game] {
			s.free[i] = 0
			continue
		}
		if s.k != nil {
			taken := 0.0
			for a := range n {
				za := s.z[a].left[i]
				if za == 0 {
					continue
				}
				for b := range n {
					taken += za * s.k.At(a, b) * s.z[b].left[i]
				}
			}
			s.free[i] -= taken / square(s.scale[x.Game])
		}
		s.free[i] = math.Max(0, s.free[i])
		s.rss[x.Game], s.df[x.Game] = s.rss[x.Game]+square(s.e[i]), s.df[x.Game]+s.free[i]
	}
}

// residuals sums over the games.
func (s *state) residuals() (r Residuals) {
	for g := range s.m.games {
		if s.solved[g] {
			r.RSS, r.DF = r.RSS+s.rss[g], r.DF+s.df[g]
		}
	}
	return r
}

// against returns what remains of a change once the pairs' effects have followed it too: its
// score and its information.
func (s *state) against(x column) (score, information float64) {
	score, information = s.score(x), s.inner(x, x)
	if s.k == nil {
		return score, information
	}
	v := make([]float64, len(s.used))
	for a := range s.used {
		v[a] = s.inner(s.z[a], x)
	}
	for a := range v {
		for b := range v {
			information -= v[a] * s.k.At(a, b) * v[b]
		}
	}
	return score, information
}
