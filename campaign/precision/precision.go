package precision

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"capd.example/campaign"
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
	// SessionSD is the standard deviation of what a session shifts, of a logarithm, for use
	// where it was not measured; 0 for unknown.
	SessionSD float64
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

	HaveSessions int // in which passes that count were recorded
	// What sessions shift: the standard deviation of a logarithm and where it is from, for
	// people; "" where nothing is known. Width and Then hold across sessions where it is known
	// and parts that are exchanged are compared, else within one session.
	SessionSD, SessionDF float64
	SessionFrom          string
	// Sessions that are needed in all, since more passes in the same session do not narrow
	// what it shifts; 0 where nothing is known or the comparison crosses none.
	Sessions int
	// ThenSession is as Then, with the further pass of both in a session of its own. NaN if unknown.
	ThenSession float64
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

// Of says what every cell needs for a wish, from the passes recorded so far.
func Of(c *campaign.Coverage, w Wish) []Need {
	m := measure(c, w)
	between := compare(c, m, w)
	out := make([]Need, c.Plan.Len())
	for i := range out {
		s := m.spread[i]
		out[i] = Need{Cell: i, Have: m.n[i], SD: s.sd, DF: s.df, From: s.from, Width: math.NaN(), Then: math.NaN(),
			ThenSession: math.NaN(),
			Open:        between[i].open, Decided: between[i].open == 0 && between[i].all > 0,
			HaveSessions: len(m.sessions.of[i])}
	}
	sessions, across := 0, m.sessions.known && w.crosses(c.Plan)
	if across {
		sessions, w = m.sessions.wanted(w)
	}
	needed(out, w)
	for i := range out {
		n := &out[i]
		if m.sessions.known {
			n.SessionSD, n.SessionDF, n.SessionFrom = math.Sqrt(m.sessions.between.Var), m.sessions.between.DF, m.sessions.from
		}
		if n.Sessions = sessions; n.Passes > 0 {
			n.Passes = max(n.Passes, sessions)
		}
		if n.Decided {
			n.Passes, n.Sessions = n.Have, min(sessions, n.HaveSessions)
		}
		n.More = max(0, n.Passes-n.Have)
		if n.Have > 0 {
			n.More = max(n.More, n.Sessions-n.HaveSessions)
		}
		n.width(m.two)
		if across {
			n.widthAcross(&m.sessions, m.two)
		}
	}
	return out
}

// widthAcross makes the widths hold across sessions.
func (n *Need) widthAcross(s *shifts, two *quantiles) {
	if n.Have == 0 || math.IsNaN(n.SD) || !(n.DF > 0) {
		return
	}
	list := s.of[n.Cell]
	width := func(passes int, shares float64) float64 {
		se, df := stats.WithBetween(2*n.SD*n.SD/float64(passes), n.DF, s.between, 2*shares)
		return math.Expm1(two.t(df) * se)
	}
	n.Width = width(n.Have, concentration(list, 0))
	n.Then = width(n.Have+1, concentration(list, 0))
	n.ThenSession = width(n.Have+1, concentration(list, 1))
}

// needed fills in the passes of the cells that are not decided. They grow with the standard
// deviation, of which there may be one per cell, and each takes long to work out: it is done
// only for those between which the number of passes changes.
func needed(list []Need, w Wish) {
	var sds []float64
	for _, n := range list {
		if !n.Decided && n.DF < pooledEnough && !math.IsNaN(n.SD) {
			sds = append(sds, n.SD)
		}
	}
	slices.Sort(sds)
	sds = slices.Compact(sds)
	passes := make([]int, len(sds))
	var between func(low, high int)
	between = func(low, high int) {
		mid := (low + high) / 2
		switch {
		case mid == low:
			return
		case passes[low] == passes[high]:
			passes[mid] = passes[low]
		default:
			passes[mid] = passesFor(sds[mid], 0, w)
		}
		between(low, mid)
		between(mid, high)
	}
	if last := len(sds) - 1; last >= 0 {
		passes[0], passes[last] = passesFor(sds[0], 0, w), passesFor(sds[last], 0, w)
		between(0, last)
	}
	for i := range list {
		n := &list[i]
		switch {
		case n.Decided || math.IsNaN(n.SD):
		case n.DF < pooledEnough:
			k, _ := slices.BinarySearch(sds, n.SD)
			n.Passes = passes[k]
		default:
			n.Passes = passesFor(n.SD, n.DF, w)
		}
	}
}

// width fills in what one more pass adds.
func (n *Need) width(two *quantiles) {
	if n.Have == 0 {
		n.Gain = math.Inf(1)
		return
	}
	if math.IsNaN(n.SD) {
		return
	}
	k, t := float64(n.Have), two.t(n.DF)
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

// quantiles remembers Student's t quantiles of one probability: cells share a few degrees
// of freedom, and a large campaign asks for millions.
type quantiles struct {
	p      float64
	of     map[float64]float64
	df, at float64 // asked for last
}

func newQuantiles(p float64) *quantiles {
	return &quantiles{p: p, of: map[float64]float64{}, df: math.NaN()}
}

func (q *quantiles) t(df float64) float64 {
	if df == q.df {
		return q.at
	}
	v, ok := q.of[df]
	if !ok {
		v = stats.TQuantile(q.p, df)
		q.of[df] = v
	}
	q.df, q.at = df, v
	return v
}

// Where each comparison has degrees of freedom of its own, most are clear from quantiles on
// a grid of them; beyond the last the grid tells less than the quantiles are rounded.
const (
	gridSteps = 16
	gridLast  = 1000
)

// around returns two quantiles with that for df between them, the higher first.
func (q *quantiles) around(df float64) (high, low float64) {
	if k := math.Floor(df * gridSteps); k >= gridSteps && df < gridLast && k != df*gridSteps {
		return q.t(k / gridSteps), q.t((k + 1) / gridSteps)
	}
	v := q.t(df)
	return v, v
}

// measures are the mean of ln(average rate) per cell, and the spread used for it.
type measures struct {
	n        []int
	mean     []float64
	spread   []spread
	sessions shifts
	two, one *quantiles // two-sided and one-sided
}

// spread is a standard deviation with its degrees of freedom and where it is from.
type spread struct {
	sd, df float64
	from   string
}

type pooled struct {
	sd, df float64
	cells  int
	mixed  bool // the cells' spreads differ by more than chance
}

func measure(c *campaign.Coverage, w Wish) measures {
	p := c.Plan
	m := measures{n: make([]int, p.Len()), mean: make([]float64, p.Len()), spread: make([]spread, p.Len()),
		two: newQuantiles(1 - w.Alpha/2), one: newQuantiles(1 - w.Alpha)}
	const all = -1
	d := p.Depth(record.TagGame)
	sds, dfs := map[int][]float64{}, map[int][]float64{}
	cells := bySession(c)
	m.sessions.of = make([][]sessionCount, p.Len())
	for i := range p.Len() {
		logs := slices.Concat(cells[i].logs...)
		m.n[i] = len(logs)
		own := &m.spread[i]
		m.mean[i], own.sd = meanSD(logs)
		if len(logs) == 0 {
			continue
		}
		for k, s := range cells[i].sessions {
			m.sessions.of[i] = append(m.sessions.of[i], sessionCount{s, len(cells[i].logs[k])})
		}
		if own.sd, own.df = cells[i].within(); own.df < 1 {
			own.df = 0
			continue
		}
		for _, of := range []int{int(p.Level(i, d)), all} {
			sds[of], dfs[of] = append(sds[of], own.sd), append(dfs[of], own.df)
		}
	}
	pool := func(of int) pooled {
		if len(sds[of]) == 0 {
			return pooled{}
		}
		sd, df := stats.PoolSD(sds[of], dfs[of])
		h := stats.Homogeneous(sds[of], dfs[of])
		return pooled{sd, df, len(sds[of]), h.CochranP < 0.01 || h.BartlettP < 0.01}
	}
	whole := pool(all)
	games := make([]func(own spread) spread, len(p.Campaign.Games))
	for g := range games {
		games[g] = chosen(p.Campaign.Games[g].Name, pool(g), whole)
	}
	for i := range p.Len() {
		m.spread[i] = games[p.Level(i, d)](m.spread[i])
	}
	m.sessions.estimate(cells, m.spread, w.SessionSD)
	return m
}

// bySession returns the passes that count of each cell by session, in order of their
// first passes as they are given.
func bySession(c *campaign.Coverage) []inSessions {
	p := c.Plan
	var all []record.Pass
	for i := range p.Len() {
		all = append(all, c.Passes(i)...)
	}
	session, number := record.SessionOf(all), map[string]int{}
	out := make([]inSessions, p.Len())
	for i := range out {
		s := &out[i]
		for k := range c.Passes(i) {
			pass := &c.Passes(i)[k]
			if !p.Campaign.Accepts(pass.Verdict) || !(pass.Metrics.AvgFPS > 0) {
				continue
			}
			of, known := number[session[pass.ID]]
			if !known {
				of = len(number)
				number[session[pass.ID]] = of
			}
			at := slices.Index(s.sessions, of)
			if at < 0 {
				at = len(s.sessions)
				s.sessions, s.logs = append(s.sessions, of), append(s.logs, nil)
				s.bench, s.system = append(s.bench, pass.Bench), append(s.system, pass.System)
			}
			s.logs[at] = append(s.logs[at], math.Log(pass.Metrics.AvgFPS))
		}
	}
	return out
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

// chosen returns what chooses the spread for the cells of a game: the game's pooled one
// where that has enough degrees of freedom and is of one kind, the cell's own where the
// game's cells differ, else that of all games.
func chosen(name string, game, whole pooled) func(own spread) spread {
	always := func(s spread) func(spread) spread { return func(spread) spread { return s } }
	switch {
	case game.df >= gameEnough && !game.mixed:
		return always(spread{game.sd, game.df, fmt.Sprintf("%s of %s", record.Count(game.cells, "cell"), name)})
	case game.df >= gameEnough:
		itself := fmt.Sprintf("the cell itself: the cells of %s do not repeat alike", name)
		pool := spread{game.sd, game.df, fmt.Sprintf("%d cells of %s, which do not repeat alike", game.cells, name)}
		return func(own spread) spread {
			if own.df >= 2 {
				return spread{own.sd, own.df, itself}
			}
			return pool
		}
	case whole.df > 0:
		return always(spread{whole.sd, whole.df, record.Count(whole.cells, "cell") + " of all games"})
	}
	return always(spread{math.NaN(), 0, "nothing recorded twice yet"})
}

// comparisons are those of a cell with others, and how many of them are open: neither is
// the margin told from zero nor is it shown to be smaller than the wished difference.
type comparisons struct{ all, open int }

// compare compares every cell with those that differ from it in exactly one of the factors.
func compare(c *campaign.Coverage, m measures, w Wish) []comparisons {
	out := make([]comparisons, c.Plan.Len())
	for _, name := range w.By {
		d := c.Plan.Depth(name)
		if d < 0 {
			continue
		}
		for _, group := range c.Plan.AlikeBut(d) {
			compareGroup(c, m, w, d, group, out)
		}
	}
	return out
}

func compareGroup(c *campaign.Coverage, m measures, w Wish, d int, group []int32, out []comparisons) {
	others := slices.DeleteFunc(slices.Clone(group),
		func(i int32) bool { return c.Plan.Level(int(i), d) == campaign.None })
	for _, i := range group {
		n := len(others)
		if c.Plan.Level(int(i), d) != campaign.None {
			n-- // itself
		}
		out[i].all += n
		out[i].open += n
		if m.n[i] < 2 {
			continue
		}
		for _, j := range others {
			if i != j && settled(m, int(i), int(j), w) {
				out[i].open--
			}
		}
	}
}

func settled(m measures, i, j int, w Wish) bool {
	if m.n[i] < 2 || m.n[j] < 2 {
		return false
	}
	a, b := m.spread[i], m.spread[j]
	se, df := stats.Satterthwaite(
		[]float64{a.sd / math.Sqrt(float64(m.n[i])), b.sd / math.Sqrt(float64(m.n[j]))}, []float64{a.df, b.df})
	if a.sd == b.sd && a.df == b.df {
		df = a.df // one pooled estimate, not two
	}
	if m.sessions.known && df > 0 {
		se, df = stats.WithBetween(se*se, df, m.sessions.between, m.sessions.weight(i, j))
	}
	margin := math.Abs(m.mean[i] - m.mean[j])
	if se == 0 {
		return true
	}
	if !(df > 0) {
		return false
	}
	different := below(m.two, df, func(t float64) bool { return margin > t*se })
	return different || below(m.one, df, func(t float64) bool { return margin+t*se < math.Log1p(w.Difference) })
}

// below tests the quantile for df. Test holds for every quantile below one for which it
// holds, so that those around it may tell without it.
func below(q *quantiles, df float64, test func(t float64) bool) bool {
	high, low := q.around(df)
	switch {
	case test(high):
		return true
	case !test(low):
		return false
	}
	return test(q.t(df))
}

// Rank returns the cells of which a further pass adds something, the one where it
// adds most first; cells without a pass come before all others, in the order of the plan.
// Skipped cells are left out.
func Rank(c *campaign.Coverage, pos campaign.Position, w Wish) []Need {
	all := Of(c, w)
	order := make([]int, 0, len(all)) // sorting the needs themselves would move a lot
	for i, n := range all {
		if !pos.Skipped[n.Cell] && (n.Have == 0 || n.More > 0 || n.Have < 2) {
			order = append(order, i)
		}
	}
	slices.SortFunc(order, func(x, y int) int { return cmp.Or(cmp.Compare(all[y].Gain, all[x].Gain), x-y) })
	out := make([]Need, len(order))
	for i, k := range order {
		out[i] = all[k]
	}
	return out
}
