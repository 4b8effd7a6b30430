// Package variance adds up what is known of how far figures scatter: from pass to pass, and
// from session to session of a bench. It knows sums of weighted logarithms and nothing of what
// they are of.
package variance

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

// Sessions is how much sessions of a bench differ: the standard deviation of what a
// session shifts every rate of it by, as a logarithm.
type Sessions struct {
	SD       float64 // 0.01 is one per cent; 0 where nothing is known
	DF       float64 // infinite where SD was stated and not measured
	Cells    int     // that were measured in several sessions
	Sessions int     // in which they were
	From     string  // for people

	between stats.Between
	known   bool
}

// Known reports whether anything is known of them.
func (s *Sessions) Known() bool { return s != nil && s.known }

// NewSessions estimates how much sessions differ from the means of cells that were measured in
// several, groups being sessions. Where these do not tell, stated is taken for the standard
// deviation, 0 for none.
func NewSessions(means []stats.GroupMean, stated float64) *Sessions {
	s := &Sessions{From: "no cell was measured in several sessions"}
	s.estimate(means)
	if !s.known && stated > 0 {
		s.known, s.SD, s.DF = true, stated, math.Inf(1)
		s.between = stats.Between{Var: s.SD * s.SD, DF: s.DF}
		s.From = "stated, not measured"
	}
	return s
}

// Total returns the standard deviation of passes of different sessions, with its degrees of
// freedom, from that of passes of one.
func (s *Sessions) Total(sd, df float64) (float64, float64) {
	return stats.WithBetween(sd*sd, df, s.between, 1)
}

// sessionMinDF is the degrees of freedom below which nothing is said of the spread between
// sessions (a convention): with two the quantile is 4.3.
const sessionMinDF = 3

func (s *Sessions) estimate(means []stats.GroupMean) {
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

// Basis is what intervals of one figure of one cell rest on.
type Basis struct {
	Cell   string // identity of the cell and figure
	Pool   Pool   // if SD is from other cells too
	Pooled bool
	SD, DF float64 // of the logarithm of one pass; or of the mean of one session, if Across
	N      float64 // passes, or sessions if Across
	Across bool    // SD holds what lies between sessions too
	Shares []Share
}

// Pool is whose spreads are pooled: those of cells alike on one bench.
type Pool struct {
	Bench, Game, Limit, Metric string
	Across                     bool // of the means of sessions; else of the passes of one session
}

// Share is the part of a mean that is from one session; the parts sum to 1.
type Share struct {
	Session string
	Part    float64
	Of      *Sessions // of the bench
}

// Term is a figure's logarithm times a weight in a sum of such.
type Term struct {
	Of     *Basis
	Weight float64
}

// Precision is how well a sum of logarithms is known.
type Precision struct {
	SE, DF               float64 // with what is known of sessions
	SessionSE, SessionDF float64 // of repeats within the sessions as they were
	Covers               Covers
	Sessions             *Sessions // that SE rests on; nil where sessions cancel out or nothing is known

	carefulSE, carefulDF float64
}

// Careful returns a standard error that is too large rather than too small, with its degrees of
// freedom, for levels of error far below 5 %: the noise of passes is not taken off the mean square
// between sessions, so that the variance is a sum of mean squares and has at least the degrees of
// freedom of the least known one (Satterthwaite, 1946). What SE and DF are at 5 % they are not at
// one in a thousand: where the estimate of what sessions shift is 0 by chance they leave it out, or
// have less than one degree of freedom.
func (p Precision) Careful() (se, df float64) {
	if p.carefulDF > 0 {
		return p.carefulSE, p.carefulDF
	}
	return p.SE, p.DF
}

// Of adds up the variance of a sum of w ln(rate). The spread of passes enters for
// each cell by itself. What a session shifts it shifts in all of its cells alike, so that
// the weights of the cells of a session are summed first: two cells of one session lose it,
// and a mean over games of two sessions has it once, however many games there are.
func Of(sum ...Term) Precision {
	byCell := map[string]float64{}
	of := map[string]*Basis{}
	var cells []string
	for _, x := range sum {
		if of[x.Of.Cell] == nil {
			of[x.Of.Cell] = x.Of
			cells = append(cells, x.Of.Cell)
		}
		byCell[x.Of.Cell] += x.Weight
	}
	type source struct{ variance, df float64 }
	var own []source
	pooled := map[Pool]*source{}
	var keys []Pool
	session := map[string]float64{}
	spread := map[string]*Sessions{}
	var names []string
	for _, name := range cells {
		b, w := of[name], byCell[name]
		v := w * w * b.SD * b.SD / b.N
		switch {
		case !b.Pooled:
			own = append(own, source{v, b.DF})
		case pooled[b.Pool] == nil:
			pooled[b.Pool] = &source{v, b.DF}
			keys = append(keys, b.Pool)
		default:
			pooled[b.Pool].variance += v
		}
		for _, s := range b.Shares {
			if spread[s.Session] == nil {
				spread[s.Session] = s.Of
				names = append(names, s.Session)
			}
			session[s.Session] += w * s.Part
		}
	}
	for _, k := range keys {
		own = append(own, *pooled[k])
	}
	var se, df []float64
	for _, s := range own {
		se, df = append(se, math.Sqrt(s.variance)), append(df, s.df)
	}
	p := Precision{Covers: CoversSessions}
	if len(own) == 1 {
		p.SessionSE, p.SessionDF = se[0], df[0]
	} else {
		p.SessionSE, p.SessionDF = stats.Satterthwaite(se, df)
	}
	p.SE, p.DF = p.SessionSE, p.SessionDF
	var list []*Sessions
	k := map[*Sessions]float64{}
	for _, name := range names {
		if w := session[name]; math.Abs(w) > 1e-9 {
			s := spread[name]
			if !slices.Contains(list, s) {
				list = append(list, s)
			}
			k[s] += w * w
		}
	}
	p.carefulSE, p.carefulDF = p.SE, p.DF
	for _, s := range list {
		if !s.known {
			p.Covers, p.Sessions = CoversSession, nil
			p.SE, p.DF = p.SessionSE, p.SessionDF
			p.carefulSE, p.carefulDF = p.SE, p.DF
			break
		}
		p.Sessions = s
		p.carefulSE, p.carefulDF = stats.Satterthwaite(
			[]float64{p.carefulSE, math.Sqrt(k[s] * (s.between.Var + s.between.Within))},
			[]float64{p.carefulDF, s.between.DF})
		p.SE, p.DF = stats.WithBetween(p.SE*p.SE, p.DF, s.between, k[s])
	}
	return p
}

// BothKnown reports whether the precision across sessions and that of repeats within one are
// both known and differ.
func (p Precision) BothKnown() bool { return p.Sessions != nil && p.Covers == CoversSessions }

// Heading counts what intervals hold for.
type Heading struct {
	session, sessions int
	said              []string
}

// Add adds an interval of a figure, named as for people, and what it rests on.
func (h *Heading) Add(c Covers, s *Sessions, figure string) {
	if c == CoversSession {
		h.session++
		return
	}
	h.sessions++
	if !s.Known() {
		return
	}
	text := fmt.Sprintf("%s %.2g %% (sd, %s)", figure, 100*s.SD, s.From)
	if !math.IsInf(s.DF, 1) {
		text = fmt.Sprintf("%s %.2g %% (sd, %.0f degrees of freedom: %s)", figure, 100*s.SD, s.DF, s.From)
	}
	if !slices.Contains(h.said, text) {
		h.said = append(h.said, text)
	}
}

// String says what the intervals hold for, percent naming them: "95 %"; "" for none.
func (h Heading) String(percent string) string {
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
