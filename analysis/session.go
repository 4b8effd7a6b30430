package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"capd.example/record"
	"capd.example/stats"
)

// Covers says what an interval holds for.
type Covers string

// The answers. An interval that covers one session says what repeated passes within it
// would give; one that covers sessions holds after a rebuild, a restart or on another day.
const (
	CoversSession  Covers = "session"
	CoversSessions Covers = "sessions"
)

// SessionSpread is how much sessions of a bench differ: the standard deviation of what a
// session shifts every rate of it by, as a logarithm.
type SessionSpread struct {
	SD       float64 // 0.01 is one per cent; 0 where nothing is known
	DF       float64 // infinite where SD was stated and not measured
	Cells    int     // that were measured in several sessions
	Sessions int     // in which they were
	From     string  // for people

	between stats.Between
	known   bool
}

// sessionMinDF is the degrees of freedom below which nothing is said of the spread between
// sessions (a convention): with two the quantile is 4.3.
const sessionMinDF = 3

type benchMetric struct{ bench, metric string }

// sessionSpreads estimates the spread between sessions per bench and figure from all cells
// that were measured in several of them under the same conditions.
func sessionSpreads(cells []Cell, p *pools, regime map[string]Regime, o Options) map[benchMetric]*SessionSpread {
	type gathered struct {
		means  []stats.GroupMean
		groups map[string]int
	}
	all := map[benchMetric]*gathered{}
	benches := map[string]bool{}
	item := 0
	for _, c := range cells {
		if len(c.used) > 0 {
			c.Regime = regime[cellKey(c.used[0].Tags, o.Factors)]
		}
		for _, g := range c.groups {
			benches[c.used[g[0]].Bench] = true
			sets := c.bySession(g)
			if len(sets) < 2 {
				continue
			}
			item++
			bench := c.used[g[0]].Bench
			for _, m := range Metrics {
				var means []stats.GroupMean
				at := benchMetric{bench, m.Name}
				x := all[at]
				if x == nil {
					x = &gathered{groups: map[string]int{}}
				}
				for _, set := range sets {
					ln := c.logs(m, set)
					sd := p.within(c, m.Name)
					if len(ln) == 0 || !(sd > 0) {
						continue
					}
					session := c.session[set[0]]
					if _, seen := x.groups[session]; !seen {
						x.groups[session] = len(x.groups)
					}
					means = append(means, stats.GroupMean{Item: item, Group: x.groups[session], Mean: meanSD(ln).mean, Var: sd * sd / float64(len(ln))})
				}
				if len(means) > 1 {
					x.means = append(x.means, means...)
					all[at] = x
				}
			}
		}
	}
	out := map[benchMetric]*SessionSpread{}
	for bench := range benches {
		for _, m := range Metrics {
			at := benchMetric{bench, m.Name}
			s := &SessionSpread{From: "no cell was measured in several sessions"}
			if x := all[at]; x != nil {
				s.estimate(x.means)
			}
			if !s.known && o.SessionSD > 0 {
				s.known, s.SD, s.DF = true, o.SessionSD, math.Inf(1)
				s.between = stats.Between{Var: s.SD * s.SD, DF: s.DF}
				s.From = "stated, not measured"
			}
			out[at] = s
		}
	}
	return out
}

func (s *SessionSpread) estimate(means []stats.GroupMean) {
	b, err := stats.BetweenGroups(means)
	if err != nil || b.Items == 0 {
		return
	}
	s.Cells, s.Sessions = b.Items, b.Groups
	if b.DF < sessionMinDF {
		s.From = fmt.Sprintf("%s in %s: %.2g degrees of freedom say too little", record.Count(b.Items, "cell"), record.Count(b.Groups, "session"), b.DF)
		return
	}
	s.known, s.between = true, b
	s.SD, s.DF = math.Sqrt(b.Var), b.DF
	s.From = fmt.Sprintf("%s measured in several of %s", record.Count(b.Items, "cell"), record.Count(b.Groups, "session"))
}

// bySession divides indexes of passes into those of one session each.
func (c Cell) bySession(indexes []int) [][]int {
	at := map[string]int{}
	var out [][]int
	for _, i := range indexes {
		s := c.session[i]
		k, seen := at[s]
		if !seen {
			k = len(out)
			at[s] = k
			out = append(out, nil)
		}
		out[k] = append(out[k], i)
	}
	return out
}

func (c Cell) logs(m Metric, indexes []int) []float64 {
	ln := make([]float64, 0, len(indexes))
	for _, i := range indexes {
		if v := m.Of(c.used[i].Metrics); positive(v) {
			ln = append(ln, math.Log(v))
		}
	}
	return ln
}

// basis is what intervals of one figure of one cell rest on.
type basis struct {
	cell   string // identity of the cell and figure
	key    poolKey
	pooled bool
	sd, df float64
	n      float64 // passes, or sessions where sd holds what lies between them too
	across bool    // sd does
	shares []sessionShare
}

// sessionShare is the part of a mean that is from one session; the parts sum to 1.
type sessionShare struct {
	session string
	part    float64
	spread  *SessionSpread // of the bench
}

// weighted is a figure's logarithm times w in a sum of such.
type weighted struct {
	of *basis
	w  float64
}

// precision is how well a sum of logarithms is known.
type precision struct {
	se, df               float64 // with what is known of sessions
	sessionSE, sessionDF float64 // of repeats within the sessions as they were
	covers               Covers
	one                  bool // one pooled spread alone
	spread               *SessionSpread
}

// precisionOf adds up the variance of a sum of w ln(rate). The spread of passes enters for
// each cell by itself. What a session shifts it shifts in all of its cells alike, so that
// the weights of the cells of a session are summed first: two cells of one session lose it,
// and a mean over games of two sessions has it once, however many games there are.
func precisionOf(sum ...weighted) precision {
	byCell := map[string]float64{}
	of := map[string]*basis{}
	var cells []string
	for _, x := range sum {
		if of[x.of.cell] == nil {
			of[x.of.cell] = x.of
			cells = append(cells, x.of.cell)
		}
		byCell[x.of.cell] += x.w
	}
	type source struct{ variance, df float64 }
	var own []source
	pooled := map[poolKey]*source{}
	var keys []poolKey
	session := map[string]float64{}
	spread := map[string]*SessionSpread{}
	var names []string
	for _, name := range cells {
		b, w := of[name], byCell[name]
		v := w * w * b.sd * b.sd / b.n
		switch {
		case !b.pooled:
			own = append(own, source{v, b.df})
		case pooled[b.key] == nil:
			pooled[b.key] = &source{v, b.df}
			keys = append(keys, b.key)
		default:
			pooled[b.key].variance += v
		}
		for _, s := range b.shares {
			if spread[s.session] == nil {
				spread[s.session] = s.spread
				names = append(names, s.session)
			}
			session[s.session] += w * s.part
		}
	}
	for _, k := range keys {
		own = append(own, *pooled[k])
	}
	var se, df []float64
	for _, s := range own {
		se, df = append(se, math.Sqrt(s.variance)), append(df, s.df)
	}
	p := precision{covers: CoversSessions, one: len(own) == 1 && len(keys) == 1}
	if len(own) == 1 {
		p.sessionSE, p.sessionDF = se[0], df[0]
	} else {
		p.sessionSE, p.sessionDF = stats.Satterthwaite(se, df)
	}
	p.se, p.df = p.sessionSE, p.sessionDF
	var list []*SessionSpread
	k := map[*SessionSpread]float64{}
	for _, name := range names {
		if w := session[name]; math.Abs(w) > 1e-9 {
			s := spread[name]
			if !slices.Contains(list, s) {
				list = append(list, s)
			}
			k[s] += w * w
		}
	}
	for _, s := range list {
		if !s.known {
			p.covers, p.spread = CoversSession, nil
			p.se, p.df = p.sessionSE, p.sessionDF
			break
		}
		p.spread = s
		p.se, p.df = stats.WithBetween(p.se*p.se, p.df, s.between, k[s])
	}
	return p
}

// BothKnown reports whether the interval across sessions and that of repeats within one are
// both known and differ.
func (f Figure) BothKnown() bool { return f.between != nil }

// BothKnown reports whether the interval across sessions and that of repeats within one are
// both known and differ.
func (m Margin) BothKnown() bool { return m.precision.spread != nil && m.Covers == CoversSessions }

// BothKnown is as for a [Margin].
func (t Total) BothKnown() bool {
	return t.precision.spread != nil && t.Covers == CoversSessions
}

// SessionsOf says in words, for the head of a table, what the intervals of cells hold for.
func SessionsOf(cells []Cell, o Options) string {
	var h heading
	for _, c := range cells {
		for _, m := range Metrics[:2] {
			f := c.Figures[m.Name]
			if f.CILow.Known() {
				h.add(f.Covers, f.between, m)
			}
		}
	}
	return h.String(o)
}

// SessionsOfMargins does so for margins, SessionsOfTotals for means over games.
func SessionsOfMargins(margins []Margin, o Options) string {
	var h heading
	for _, m := range margins {
		if m.CILow.Known() {
			h.addOf(m.precision, m.Metric)
		}
	}
	return h.String(o)
}

// SessionsOfTotals says in words what the intervals of means over games hold for.
func SessionsOfTotals(totals []Total, o Options) string {
	var h heading
	for _, t := range totals {
		if t.CILow.Known() {
			h.addOf(t.precision, t.Metric)
		}
	}
	return h.String(o)
}

// heading counts what intervals hold for.
type heading struct {
	session, sessions int
	said              []string
}

func (h *heading) addOf(p precision, metric string) {
	m, _ := MetricNamed(metric)
	h.add(p.covers, p.spread, m)
}

func (h *heading) add(c Covers, s *SessionSpread, m Metric) {
	if c == CoversSession {
		h.session++
		return
	}
	h.sessions++
	if s == nil || !s.known {
		return
	}
	text := fmt.Sprintf("%s %.2g %% (sd, %s)", m.Text, 100*s.SD, s.From)
	if !math.IsInf(s.DF, 1) {
		text = fmt.Sprintf("%s %.2g %% (sd, %.0f degrees of freedom: %s)", m.Text, 100*s.SD, s.DF, s.From)
	}
	if !slices.Contains(h.said, text) {
		h.said = append(h.said, text)
	}
}

func (h heading) String(o Options) string {
	percent := o.ConfidencePercent()
	by := ""
	if len(h.said) > 0 {
		by = "; what a session shifts: " + strings.Join(h.said, ", ")
	}
	switch {
	case h.session+h.sessions == 0:
		return ""
	case h.session == 0:
		return percent + " intervals hold across sessions (rebuilds, restarts, days)" + by
	case h.sessions == 0:
		return percent + " intervals cover repeated passes within one session; what a rebuild, a restart or another day shifts is not in them"
	}
	return fmt.Sprintf("%s intervals: %d hold across sessions%s; %d cover repeated passes within one session only, without what a rebuild, a restart or another day shifts",
		percent, h.sessions, by, h.session)
}
