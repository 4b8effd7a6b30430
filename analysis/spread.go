package analysis

import (
	"fmt"
	"math"
	"slices"
	"time"

	"capd.example/analysis/variance"
	"capd.example/record"
	"capd.example/stats"
)

// pools hold the pooled repeatability per bench, game, regime and metric.
type pools struct {
	sets  map[variance.Pool]*pool
	owner map[string]int // pass to index of its cell
	min   float64        // degrees of freedom
}

// pool is what sets of passes under equal conditions say about repeatability.
type pool struct {
	owner []int // index of the cell; -1 for history
	sd    []float64
	df    []float64
	at    []time.Time // when the set was begun
	s, v  float64
	out   []bool // taken out for a spread unlike the others
	apart string // why the sets must not be pooled, "" if they may
}

// newPools pools the spreads of the cells and of the history. Sets whose variances
// differ (Cochran's C or Bartlett's test) are not pooled.
func newPools(cells []Cell, session map[string]string, o Options) *pools {
	p := &pools{sets: map[variance.Pool]*pool{}, owner: map[string]int{}, min: o.MinDF}
	regime := map[string]Regime{}
	for i, c := range cells {
		for _, u := range c.used {
			p.owner[u.ID] = i
		}
		if len(c.used) > 0 {
			regime[cellKey(c.used[0].Tags, o.Factors)] = c.Regime
		}
		p.addCell(i, c)
	}
	var more []record.Pass
	for _, h := range o.History {
		if _, listed := p.owner[h.ID]; !listed {
			more = append(more, h)
		}
	}
	for _, c := range group(more, o.Factors, session) {
		if len(c.used) > 0 {
			c.Regime = regime[cellKey(c.used[0].Tags, o.Factors)]
			p.addCell(-1, c)
		}
	}
	for _, set := range p.sets {
		set.close(o.Homogeneity)
	}
	return p
}

func (p *pools) addCell(owner int, c Cell) {
	if len(c.used) > 0 && !c.used[0].Tags.NamesCell() {
		return // unlike games are no repeats
	}
	for _, g := range c.groups {
		if len(g) < 2 {
			continue
		}
		sets := c.bySession(g)
		for _, m := range Metrics {
			var means []float64
			for _, set := range sets {
				dense := slices.DeleteFunc(slices.Clone(set), func(i int) bool { return m.sparse(c.used[i].Metrics) })
				ln := c.logs(m, dense)
				if len(ln) > 0 {
					means = append(means, meanSD(ln).mean)
				}
				p.add(c, m, owner, g[0], ln, false)
			}
			p.add(c, m, owner, g[0], means, true)
		}
	}
}

// add adds a set of logarithms, of passes or of means of sessions, to its pool.
func (p *pools) add(c Cell, m Metric, owner, first int, ln []float64, across bool) {
	if len(ln) < 2 {
		return
	}
	pass := c.used[first]
	key := variance.Pool{Bench: pass.Bench, Game: pass.Tags.Value(record.TagGame), Limit: string(c.Regime), Metric: m.Name, Across: across}
	set := p.sets[key]
	if set == nil {
		set = &pool{}
		p.sets[key] = set
	}
	set.owner = append(set.owner, owner)
	set.sd = append(set.sd, meanSD(ln).sd)
	set.df = append(set.df, float64(len(ln)-1))
	set.at = append(set.at, pass.StartedAt)
}

// within returns the standard deviation of passes of one session, as far as anything is
// known of it: of cells like the one of pass on its bench, else of all of the bench; 0 for
// nothing. What a bench shows depends on no other that measured the same cell.
func (p *pools) within(c Cell, pass record.Pass, metric string) float64 {
	key := variance.Pool{Bench: pass.Bench, Game: pass.Tags.Value(record.TagGame), Limit: string(c.Regime), Metric: metric}
	if set := p.sets[key]; set != nil && set.v >= p.min && set.s > 0 {
		return set.s
	}
	var sum, df float64
	for key, set := range p.sets {
		if key.Bench == pass.Bench && key.Metric == metric && !key.Across && set.v > 0 {
			sum, df = sum+set.v*set.s*set.s, df+set.v
		}
	}
	if !(df > 0) {
		return 0
	}
	return math.Sqrt(sum / df)
}

// close pools the sets and tests whether that is allowed. As ISO 5725-2 has it, a set with
// the largest spread that Cochran's test rejects is taken out and the test repeated; but
// no more than one set in ten, since beyond that there is no one spread.
func (p *pool) close(alpha float64) {
	p.out = make([]bool, len(p.sd))
	for allowed := max(1, len(p.sd)/10); ; allowed-- {
		sd, df, index := p.kept()
		p.s, p.v = stats.PoolSD(sd, df)
		p.apart = ""
		if len(sd) < 2 || p.s == 0 {
			return
		}
		h := stats.Homogeneous(sd, df)
		switch {
		case h.CochranP < alpha:
			p.apart = fmt.Sprintf("Cochran's C %.2f, p %.2g", h.C, h.CochranP)
		case h.BartlettP < alpha:
			p.apart = fmt.Sprintf("Bartlett's test, p %.2g", h.BartlettP)
			return
		}
		if p.apart == "" || allowed == 0 || len(sd) < 4 {
			return
		}
		p.out[index[h.Largest]] = true
	}
}

// kept returns the sets that are pooled.
func (p *pool) kept() (sd, df []float64, index []int) {
	for i, out := range p.out {
		if !out {
			sd, df, index = append(sd, p.sd[i]), append(df, p.df[i]), append(index, i)
		}
	}
	return sd, df, index
}

// pooled is how many sets the pool rests on.
func (p *pool) pooled() int {
	_, _, index := p.kept()
	return len(index)
}

// without returns the pooled spread of all sets but those of the given cell; v is 0
// where they must not be pooled.
func (p *pool) without(owner int) (s, v float64, sets int) {
	if p.apart != "" {
		return math.NaN(), 0, 0
	}
	sum := 0.0 // as [stats.PoolSD] has it, without a copy of the pool for every cell of it
	for i, w := range p.owner {
		if p.out[i] || w == owner {
			continue
		}
		sets++
		if p.df[i] > 0 {
			sum += p.df[i] * p.sd[i] * p.sd[i]
			v += p.df[i]
		}
	}
	return math.Sqrt(sum / v), v, sets
}

// holds reports whether the cell's own passes fit in with the pool.
func (p *pool) holds(owner int) bool {
	for i, w := range p.owner {
		if w == owner && p.out[i] {
			return false
		}
	}
	return true
}

func (p *pools) of(c Cell, metric string) *pool {
	if len(c.used) == 0 {
		return nil
	}
	return p.sets[c.poolKey(metric, false)]
}

func (c Cell) poolKey(metric string, across bool) variance.Pool {
	return variance.Pool{Bench: c.used[0].Bench, Game: c.used[0].Tags.Value(record.TagGame), Limit: string(c.Regime), Metric: metric, Across: across}
}

// spread chooses what an interval of the cell's figure rests on: the pool where it is
// large and homogeneous enough, else the cell's own passes.
func (p *pools) spread(c Cell, metric string) Spread {
	f := c.Figures[metric]
	set := p.of(c, metric)
	why := "nothing comparable was measured"
	switch {
	case c.sparse(metric):
		why = "its tails rest on fewer than ten frames"
	case len(c.groups) > 1:
		why = "its passes were taken under different conditions"
	case set == nil:
	case set.v < p.min:
		why = fmt.Sprintf("only %.0f degrees of freedom to pool", set.v)
	case set.apart != "":
		why = "comparable cells do not have one spread (" + set.apart + ")"
	case !set.holds(p.indexOf(c)):
		why = "they spread more than comparable cells do"
	case !(set.s > 0):
		why = "comparable cells show no spread at all"
	default:
		return Spread{SD: Number(set.s), DF: Number(set.v), Pooled: true, From: fmt.Sprintf("%s of passes of %s", record.Count(set.pooled(), "set"), c.kind()), key: c.poolKey(metric, false)}
	}
	if f.N > 1 && f.ownDF == 0 { // no two passes of one session: the means of sessions tell
		key := c.poolKey(metric, true)
		if set := p.sets[key]; set != nil && set.v >= p.min && set.apart == "" && set.s > 0 && set.holds(p.indexOf(c)) && len(c.groups) == 1 {
			return Spread{SD: Number(set.s), DF: Number(set.v), Pooled: true, From: fmt.Sprintf("means of sessions of %s of %s", record.Count(set.pooled(), "cell"), c.kind()), key: key, across: true}
		}
		return Spread{SD: Number(f.acrossSD), DF: Number(f.acrossDF), From: "the means of the cell's own sessions: " + why, across: true}
	}
	if f.N < 2 {
		return Spread{SD: Undefined, DF: 0, From: "no spread: " + why + ", and the cell has one pass alone"}
	}
	return Spread{SD: Number(f.ownSD), DF: Number(f.ownDF), From: "the cell's own passes: " + why}
}

// kind names for people what the cell is pooled with.
func (c Cell) kind() string {
	game := c.used[0].Tags.Value(record.TagGame)
	if game == "" {
		game = "no named game"
	}
	text := game + " on bench " + c.used[0].Bench
	switch c.Regime {
	case ByProcessor:
		text += ", processor-bound"
	case ByGraphics:
		text += ", graphics-bound"
	case ByBoth:
		text += ", bound by both"
	}
	return text
}

// logInterval is the t interval of a logarithm, taken back to figures.
func logInterval(mean, se, df, conf float64) (low, high Number) {
	p := 1 - (1-conf)/2
	half := se * stats.TQuantile(p, df)
	return Number(math.Exp(mean - half)), Number(math.Exp(mean + half))
}
