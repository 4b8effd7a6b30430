package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/record"
	"capd.example/stats"
)

// Total is the geometric mean over games of the ratio of two parts.
//
// Margin and its interval are the measurement's own, for this set of games. SpreadLow and
// SpreadHigh take the games for a random sample of games like these: a spread, not an
// uncertainty; undefined below five games.
type Total struct {
	By      string            `json:"by"`
	Base    string            `json:"base"`
	Value   string            `json:"value"`
	Factors map[string]string `json:"factors"`
	Metric  string            `json:"metric"`

	Games   []GameRatio `json:"games"`
	Missing []string    `json:"missing,omitempty"` // games that other totals of the table have

	Margin      analysis.Number `json:"margin"`
	CILow       analysis.Number `json:"ci_low"`
	CIHigh      analysis.Number `json:"ci_high"`
	Covers      variance.Covers `json:"covers"`
	SessionLow  analysis.Number `json:"session_ci_low"`
	SessionHigh analysis.Number `json:"session_ci_high"`
	AtMost      analysis.Number `json:"at_most"`
	SpreadLow   analysis.Number `json:"spread_low"`
	SpreadHigh  analysis.Number `json:"spread_high"`
	// Common is the margin over the games that every total of the table has.
	Common analysis.Number `json:"common_margin"`

	Call     Call            `json:"call"`
	P        analysis.Number `json:"p"`
	PHolm    analysis.Number `json:"p_adjusted"`
	PTie     analysis.Number `json:"tie_p"`
	PTieHolm analysis.Number `json:"tie_p_adjusted"`
	Reason   string          `json:"reason"`
	// Statement says the outcome for people: a bound or an interval stands in it.
	Statement string `json:"statement"`

	log       float64
	terms     []variance.Term
	precision variance.Precision
	higher    bool
	order     []string
	table     string // totals of one table stand beside each other
}

// GameRatio is one game's part in a total.
type GameRatio struct {
	Game    string          `json:"game"`
	Margin  analysis.Number `json:"margin"`
	Effect  analysis.Number `json:"effect"`  // what the game adds to the total: the total's ratio over that without it, less 1
	Without analysis.Number `json:"without"` // margin of the total without it

	log float64
	of  []*Margin
}

// Name names what the total is of, by the factors that are left.
func (t Total) Name() string { return analysis.NameOf(t.Factors, t.order) }

// Totals combines margins of several games by the geometric mean (Fleming and Wallace,
// CACM 29(3), 1986). Scenes of one game count together as one game. Margins without a
// standard error are left out.
func Totals(margins []Margin, o analysis.Options) []Total {
	o = o.WithDefaults()
	rest := analysis.Without(o.Factors, record.TagGame, record.TagScene)
	var out []Total
	games := map[string]map[string]int{} // of a table: totals that stand beside each other
	for _, group := range groupMargins(margins, rest) {
		first := group[0]
		t := Total{By: first.By, Base: first.Base, Value: first.Value, Metric: first.Metric, Factors: map[string]string{}, higher: first.higher,
			order: analysis.Without(rest, first.By), Margin: analysis.Undefined, CILow: analysis.Undefined, CIHigh: analysis.Undefined, SpreadLow: analysis.Undefined, SpreadHigh: analysis.Undefined,
			Covers: variance.CoversSession, SessionLow: analysis.Undefined, SessionHigh: analysis.Undefined, AtMost: analysis.Undefined, precision: variance.Precision{SE: math.NaN()},
			Common: analysis.Undefined, Call: Undecided, P: analysis.Undefined, PHolm: analysis.Undefined, PTie: analysis.Undefined, PTieHolm: analysis.Undefined, Games: []GameRatio{}}
		for _, f := range t.order {
			t.Factors[f] = first.Factors[f]
		}
		t.Games = ratios(group, o.Order(record.TagGame))
		t.table = t.By + "\x00" + t.Base + "\x00" + analysis.FactorKey(t.Factors, t.order)
		if games[t.table] == nil {
			games[t.table] = map[string]int{}
		}
		for _, g := range t.Games {
			games[t.table][g.Game]++
		}
		t.combine(o)
		out = append(out, t)
	}
	compareSets(out, games)
	callTotals(out, o)
	return out
}

func groupMargins(margins []Margin, rest []string) [][]*Margin {
	var keys []string
	groups := map[string][]*Margin{}
	for i := range margins {
		m := &margins[i]
		key := m.By + "\x00" + m.Base + "\x00" + m.Value + "\x00" + analysis.FactorKey(m.Factors, rest)
		if groups[key] == nil {
			keys = append(keys, key)
		}
		groups[key] = append(groups[key], m)
	}
	var out [][]*Margin
	for _, k := range keys {
		out = append(out, groups[k])
	}
	return out
}

// ratios averages the scenes of each game.
func ratios(margins []*Margin, order func(a, b string) int) []GameRatio {
	byGame := map[string][]*Margin{}
	var names []string
	for _, m := range margins {
		if !(m.precision.SE > 0) {
			continue
		}
		g := m.Factors[record.TagGame]
		if byGame[g] == nil {
			names = append(names, g)
		}
		byGame[g] = append(byGame[g], m)
	}
	slices.SortFunc(names, order)
	out := []GameRatio{}
	for _, g := range names {
		r := GameRatio{Game: g, Effect: analysis.Undefined, Without: analysis.Undefined, of: byGame[g]}
		for _, m := range r.of {
			r.log += m.log / float64(len(r.of))
		}
		r.Margin = analysis.Number(math.Expm1(r.log))
		out = append(out, r)
	}
	return out
}

// gamesOfSpread is the number of games from which on their spread is told (a convention): with
// two, Student's quantile makes hundreds of per cent of it.
const gamesOfSpread = 5

func (t *Total) combine(o analysis.Options) {
	if len(t.Games) == 0 {
		t.Reason = "no game has a margin with a spread"
		return
	}
	var sum []variance.Term
	var r []float64
	for _, g := range t.Games {
		t.log += g.log / float64(len(t.Games))
		r = append(r, math.Exp(g.log))
		for _, m := range g.of {
			w := 1 / float64(len(t.Games)*len(g.of))
			sum = append(sum, variance.Term{Of: m.value, Weight: w}, variance.Term{Of: m.base, Weight: -w})
		}
	}
	t.terms, t.precision = sum, variance.Of(sum...)
	x := about(t.precision, t.log, o)
	t.Margin, t.Covers = analysis.Number(math.Expm1(t.log)), t.precision.Covers
	t.CILow, t.CIHigh, t.SessionLow, t.SessionHigh, t.P, t.PTie, t.AtMost = x.low, x.high, x.sessionLow, x.sessionHigh, x.p, x.tie, x.atMost
	if g, err := stats.GeometricMean(r, nil, o.Confidence); err == nil && len(r) >= gamesOfSpread {
		t.SpreadLow, t.SpreadHigh = analysis.Number(g.Low-1), analysis.Number(g.High-1)
	}
	n := float64(len(t.Games))
	for i := range t.Games {
		if n < 2 {
			break
		}
		w := (t.log*n - t.Games[i].log) / (n - 1)
		t.Games[i].Without, t.Games[i].Effect = analysis.Number(math.Expm1(w)), analysis.Number(math.Expm1(t.log-w))
	}
}

// compareSets says which games are missing from each total and what the common games give.
// games counts, per table, the totals that have a game.
func compareSets(totals []Total, games map[string]map[string]int) {
	size := map[string]int{}
	for _, t := range totals {
		size[t.table]++
	}
	for i := range totals {
		t := &totals[i]
		own := map[string]bool{}
		sum, n := 0.0, 0.0
		for _, g := range t.Games {
			own[g.Game] = true
			if games[t.table][g.Game] == size[t.table] {
				sum += g.log
				n++
			}
		}
		for g := range games[t.table] {
			if !own[g] {
				t.Missing = append(t.Missing, g)
			}
		}
		slices.SortFunc(t.Missing, analysis.Naturally)
		if n > 0 {
			t.Common = analysis.Number(math.Expm1(sum / n))
		}
	}
}

func callTotals(totals []Total, o analysis.Options) {
	p, q := make([]float64, len(totals)), make([]float64, len(totals))
	for i, t := range totals {
		p[i], q[i] = float64(t.P), float64(t.PTie)
	}
	p, q = stats.Holm(p), stats.Holm(q)
	for i := range totals {
		t := &totals[i]
		t.PHolm, t.PTieHolm = analysis.Number(p[i]), analysis.Number(q[i])
		if t.Reason != "" {
			t.Statement = t.comparison().statement(o)
			continue
		}
		t.Call, t.Reason = decide(p[i], float64(t.PTie), t.log, t.higher, o)
		t.Statement = t.comparison().statement(o)
		if len(t.Missing) > 0 {
			t.Reason += fmt.Sprintf("; without %s, so compare the common games only", strings.Join(t.Missing, ", "))
		}
	}
}

func (t Total) comparison() comparison {
	return comparison{ratio: ratio{low: t.CILow, high: t.CIHigh, p: t.P, tie: t.PTie, atMost: t.AtMost}, terms: t.terms,
		log: t.log, margin: t.Margin, pHolm: t.PHolm, call: t.Call, metric: t.Metric, reason: t.Reason}
}
