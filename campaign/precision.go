package campaign

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"capd.example/record"
	"capd.example/stats"
)

// Wish is the precision that is wanted: a relative difference (0.01 is one per cent) of
// the average rates of two cells that differ in one of the factors By is to be found with
// the given power at the two-sided level Alpha.
type Wish struct {
	Difference float64
	Power      float64
	Alpha      float64
	By         []string // factors whose levels are compared; unknown ones are left out
}

// DefaultWish is 1 % with 80 % power at the 5 % level between processors and between
// graphics cards (conventions).
var DefaultWish = Wish{Difference: 0.01, Power: 0.8, Alpha: 0.05, By: []string{record.TagProcessor, record.TagGraphics}}

// Need says how many passes a cell needs for a wish.
type Need struct {
	Cell    int
	Have    int     // passes that count
	SD      float64 // repeatability of ln(average rate) used; NaN where nothing is known
	DF      float64
	From    string // where SD is from, for people
	Passes  int    // in all; 0 where nothing is known
	More    int    // still to be recorded; 0 where all is decided
	Open    int    // comparisons with this cell that are not decided
	Decided bool   // all of its comparisons are
	// Width is half the width of the interval of a margin between this cell and one with as
	// many passes, relative; Then is the same after one more pass of both. NaN if unknown.
	Width, Then float64
	// Gain is by how much one more pass lowers the summed variance of the margins that are
	// not decided; +Inf for a cell without a pass.
	Gain float64
}

// Resolve returns the smallest difference of two cells that n passes each find with the
// wished power, in units of the repeatability standard deviation: when every comparison
// estimates its own (two-sample t test) and when it is known from many passes (normal).
func Resolve(n int, w Wish) (own, pooled float64) {
	if k, err := stats.KnownSDSampleSize(1, 1, w.Alpha, w.Power); err == nil {
		pooled = math.Sqrt(k / float64(n))
	}
	if n < 2 {
		return math.NaN(), pooled
	}
	low, high := 0.0, 1.0
	for stats.Power(float64(n), high, 1, w.Alpha) < w.Power && high < 1e6 {
		high *= 2
	}
	for range 60 {
		mid := (low + high) / 2
		if stats.Power(float64(n), mid, 1, w.Alpha) < w.Power {
			low = mid
		} else {
			high = mid
		}
	}
	return high, pooled
}

// pooledEnough is the degrees of freedom from which a pooled standard deviation counts as
// known (convention; the t quantile is then within 7 % of the normal one), and
// gameEnough those from which a game is pooled by itself.
const (
	pooledEnough = 20
	gameEnough   = 6
)

// Precision says what every cell needs for a wish, from the passes recorded so far.
func (c *Coverage) Precision(w Wish) []Need {
	m := c.measure()
	out := make([]Need, c.Plan.n)
	known := map[[2]float64]int{} // passes by standard deviation and degrees of freedom
	for i := range out {
		n := Need{Cell: i, Have: m.n[i], SD: math.NaN(), Width: math.NaN(), Then: math.NaN()}
		n.SD, n.DF, n.From = m.spread(i)
		key := [2]float64{n.SD, n.DF}
		if _, ok := known[key]; !ok {
			known[key] = passesFor(n.SD, n.DF, w)
		}
		n.Passes = known[key]
		n.Open, n.Decided = c.undecided(m, i, w)
		if n.Decided {
			n.Passes = n.Have
		}
		n.More = max(0, n.Passes-n.Have)
		n.width(w, m.q)
		out[i] = n
	}
	return out
}

// width fills in what one more pass adds.
func (n *Need) width(w Wish, q quantiles) {
	if n.Have == 0 {
		n.Gain = math.Inf(1)
		return
	}
	if math.IsNaN(n.SD) {
		return
	}
	k, t := float64(n.Have), q.t(1-w.Alpha/2, n.DF)
	n.Width = math.Expm1(t * n.SD * math.Sqrt(2/k))
	n.Then = math.Expm1(t * n.SD * math.Sqrt(2/(k+1)))
	n.Gain = float64(n.Open) * n.SD * n.SD / (k * (k + 1))
}

// passesFor returns the passes per cell for a wish: by the normal formula where the
// spread is pooled from many passes, else by the two-sample t test; two at least.
func passesFor(sd, df float64, w Wish) int {
	if math.IsNaN(sd) {
		return 0
	}
	if sd == 0 {
		return 2
	}
	delta := math.Log1p(w.Difference)
	n, err := stats.KnownSDSampleSize(delta, sd, w.Alpha, w.Power)
	if df < pooledEnough {
		n, err = stats.SampleSize(delta, sd, w.Alpha, w.Power, false)
	}
	if err != nil || math.IsNaN(n) || n > math.MaxInt32 {
		return 0
	}
	return max(2, int(math.Ceil(n-1e-9)))
}

// quantiles remembers Student's t quantiles: cells share a few degrees of freedom, and a
// large campaign asks for millions.
type quantiles map[[2]float64]float64

func (q quantiles) t(p, df float64) float64 {
	v, ok := q[[2]float64{p, df}]
	if !ok {
		v = stats.TQuantile(p, df)
		q[[2]float64{p, df}] = v
	}
	return v
}

// measures are the mean and spread of ln(average rate) per cell, and pooled.
type measures struct {
	n            []int
	mean, sd, df []float64
	game         []string
	pool         map[string]pooled // "" for all games
	q            quantiles
}

type pooled struct {
	sd, df float64
	cells  int
	mixed  bool // the cells' spreads differ by more than chance
}

func (c *Coverage) measure() measures {
	p := c.Plan
	m := measures{n: make([]int, p.n), mean: make([]float64, p.n), sd: make([]float64, p.n), df: make([]float64, p.n), game: make([]string, p.n)}
	d := p.depth(record.TagGame)
	sds, dfs := map[string][]float64{}, map[string][]float64{}
	for i := range p.n {
		m.game[i] = p.Campaign.Games[p.level(i, d)].Name
		var logs []float64
		for _, pass := range c.passes[i] {
			if p.Campaign.accepts(pass.Verdict) && pass.Metrics.AvgFPS > 0 {
				logs = append(logs, math.Log(pass.Metrics.AvgFPS))
			}
		}
		m.n[i] = len(logs)
		m.mean[i], m.sd[i] = meanSD(logs)
		if m.df[i] = float64(len(logs) - 1); m.df[i] < 1 {
			m.df[i] = 0
			continue
		}
		for _, of := range []string{m.game[i], ""} {
			sds[of], dfs[of] = append(sds[of], m.sd[i]), append(dfs[of], m.df[i])
		}
	}
	m.pool, m.q = map[string]pooled{}, quantiles{}
	for of := range sds {
		sd, df := stats.PoolSD(sds[of], dfs[of])
		h := stats.Homogeneous(sds[of], dfs[of])
		m.pool[of] = pooled{sd, df, len(sds[of]), h.CochranP < 0.01 || h.BartlettP < 0.01}
	}
	return m
}

func meanSD(x []float64) (mean, sd float64) {
	if len(x) == 0 {
		return math.NaN(), math.NaN()
	}
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	if len(x) < 2 {
		return mean, math.NaN()
	}
	return mean, math.Sqrt(sd / float64(len(x)-1))
}

// spread chooses the standard deviation for a cell: its game's pooled one where that has
// enough degrees of freedom and is of one kind, its own where the game's cells differ,
// else that of all games.
func (m measures) spread(i int) (sd, df float64, from string) {
	game, whole := m.pool[m.game[i]], m.pool[""]
	switch {
	case game.df >= gameEnough && !game.mixed:
		return game.sd, game.df, fmt.Sprintf("%s of %s", record.Count(game.cells, "cell"), m.game[i])
	case game.df >= gameEnough && m.df[i] >= 2:
		return m.sd[i], m.df[i], fmt.Sprintf("the cell itself: the cells of %s do not repeat alike", m.game[i])
	case game.df >= gameEnough:
		return game.sd, game.df, fmt.Sprintf("%d cells of %s, which do not repeat alike", game.cells, m.game[i])
	case whole.df > 0:
		return whole.sd, whole.df, record.Count(whole.cells, "cell") + " of all games"
	}
	return math.NaN(), 0, "nothing recorded twice yet"
}

// undecided counts the comparisons of a cell that are not decided: neither is the margin
// told from zero nor is it shown to be smaller than the wished difference.
func (c *Coverage) undecided(m measures, i int, w Wish) (open int, decided bool) {
	neighbours := c.Plan.neighbours(i, w.By)
	for _, j := range neighbours {
		if !settled(m, i, j, w) {
			open++
		}
	}
	return open, open == 0 && len(neighbours) > 0
}

func settled(m measures, i, j int, w Wish) bool {
	if m.n[i] < 2 || m.n[j] < 2 {
		return false
	}
	si, di, _ := m.spread(i)
	sj, dj, _ := m.spread(j)
	se, df := stats.Satterthwaite(
		[]float64{si / math.Sqrt(float64(m.n[i])), sj / math.Sqrt(float64(m.n[j]))}, []float64{di, dj})
	if si == sj && di == dj {
		df = di // one pooled estimate, not two
	}
	margin := math.Abs(m.mean[i] - m.mean[j])
	if se == 0 {
		return true
	}
	if !(df > 0) {
		return false
	}
	different := margin > m.q.t(1-w.Alpha/2, df)*se
	same := margin+m.q.t(1-w.Alpha, df)*se < math.Log1p(w.Difference)
	return different || same
}

// neighbours returns the cells that differ from a cell in exactly one of the factors.
func (p *Plan) neighbours(i int, by []string) []int {
	var out []int
	row := slices.Clone(p.row(i))
	for _, name := range by {
		d := p.depth(name)
		if d < 0 {
			continue
		}
		was := row[d]
		for l := range p.Campaign.Factors[p.nest[d]].Levels {
			if row[d] = uint16(l); row[d] != was {
				if j, ok := p.find(row); ok {
					out = append(out, j)
				}
			}
		}
		row[d] = was
	}
	return out
}

// ByPrecision returns the cells of which a further pass adds something, the one where it
// adds most first; cells without a pass come before all others, in the order of the plan.
// Skipped cells are left out.
func (c *Coverage) ByPrecision(pos Position, w Wish) []Need {
	var out []Need
	for _, n := range c.Precision(w) {
		if !pos.Skipped[n.Cell] && (n.Have == 0 || n.More > 0 || n.Have < 2) {
			out = append(out, n)
		}
	}
	slices.SortStableFunc(out, func(x, y Need) int { return cmp.Compare(y.Gain, x.Gain) })
	return out
}
