package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/stats"
)

// Call is what can be said about a margin.
type Call string

// The calls. A tie is proven, not just an absence of proof: the difference is smaller
// than the practical threshold. Undecided is everything else that is not proven.
const (
	Faster    Call = "faster"
	Slower    Call = "slower"
	Tie       Call = "tie"
	Undecided Call = "undecided"
)

// Margin is the relative difference of two cells that differ in one factor alone.
type Margin struct {
	By      string            `json:"by"`
	Base    string            `json:"base"`  // value of that factor in the cell compared with
	Value   string            `json:"value"` // and in the cell that is compared
	Factors map[string]string `json:"factors"`
	Metric  string            `json:"metric"`

	BaseFigure  analysis.Number `json:"base_mean"`
	ValueFigure analysis.Number `json:"value_mean"`

	Margin analysis.Number `json:"margin"` // 0.05: the value's geometric mean is 5 % above the base's
	CILow  analysis.Number `json:"ci_low"`
	CIHigh analysis.Number `json:"ci_high"`
	Covers variance.Covers `json:"covers"` // what the interval and the call hold for
	// SessionLow and SessionHigh are the interval of repeats within the sessions as they were.
	SessionLow  analysis.Number `json:"session_ci_low"`
	SessionHigh analysis.Number `json:"session_ci_high"`
	// AtMost is the least bound within which the margin is shown to lie at the level of the
	// call, by two one-sided tests of this margin alone.
	AtMost   analysis.Number `json:"at_most"`
	Fieller  Range           `json:"fieller"` // second opinion: of the ratio of plain means, each cell's own spread
	Call     Call            `json:"call"`
	P        analysis.Number `json:"p"`          // of no difference
	PHolm    analysis.Number `json:"p_adjusted"` // over the table
	PTie     analysis.Number `json:"tie_p"`      // of a difference of the threshold or more
	PTieHolm analysis.Number `json:"tie_p_adjusted"`
	Reason   string          `json:"reason"`
	// Statement says the outcome for people: a bound or an interval stands in it.
	Statement string `json:"statement"`

	Warnings []string `json:"warnings,omitempty"`

	log         float64
	precision   variance.Precision
	base, value *variance.Basis
	higher      bool // a higher figure is faster
	order       []string
}

// Range is an interval; both ends are undefined where there is none.
type Range struct {
	Low  analysis.Number `json:"low"`
	High analysis.Number `json:"high"`
}

// Name names for people what is compared, by the factors that both cells share.
func (m Margin) Name() string { return analysis.NameOf(m.Factors, m.order) }

// Margins returns the margin of every cell over the cell with the value base of the
// factor by and all other factors alike, in the order of the cells. An empty base
// compares every pair. p values are adjusted (Holm 1979) over the whole result, the
// tests of difference and those of equivalence each for themselves.
func Margins(cells []analysis.Cell, by, base, metric string, o analysis.Options) ([]Margin, error) {
	return compare(cells, by, base, metric, o, true)
}

// compare leaves out the warnings and the second opinion where full is not asked for: with
// a hundred parts there are 4,950 pairs in each row.
func compare(cells []analysis.Cell, by, base, metric string, o analysis.Options, full bool) ([]Margin, error) {
	o = o.WithDefaults()
	kind, ok := analysis.MetricNamed(metric)
	if !ok {
		return nil, fmt.Errorf("there is no figure %q", metric)
	}
	if !slices.Contains(o.Factors, by) {
		return nil, fmt.Errorf("%q is no factor of the cells: %s", by, strings.Join(o.Factors, ", "))
	}
	rest := analysis.Without(o.Factors, by)
	var keys []string
	rows := map[string][]analysis.Cell{}
	found := base == ""
	for _, c := range cells {
		found = found || c.Factors[by] == base
		key := analysis.FactorKey(c.Factors, rest)
		if rows[key] == nil {
			keys = append(keys, key)
		}
		rows[key] = append(rows[key], c)
	}
	if !found {
		return nil, fmt.Errorf("no cell has %s = %q", by, base)
	}
	pairs := 0
	for _, row := range rows {
		pairs += len(row) * (len(row) - 1) / 2 // one base has fewer
	}
	if base != "" {
		pairs = len(cells)
	}
	out := make([]Margin, 0, pairs)
	for _, key := range keys {
		row := rows[key]
		factors := map[string]string{} // of all margins of the row
		for _, f := range rest {
			factors[f] = row[0].Factors[f]
		}
		for i, a := range row {
			for j, b := range row {
				if base == "" && i < j || base != "" && a.Factors[by] == base && i != j {
					out = append(out, margin(a, b, by, factors, rest, kind, o, full))
				}
			}
		}
	}
	call(out, o)
	for i := range out {
		if m := &out[i]; full {
			m.Statement = m.comparison().statement(o)
		}
	}
	return out, nil
}

// margin computes one margin without its call.
func margin(a, b analysis.Cell, by string, factors map[string]string, rest []string, kind analysis.Metric, o analysis.Options, full bool) Margin {
	m := Margin{By: by, Base: a.Factors[by], Value: b.Factors[by], Factors: factors, Metric: kind.Name,
		Margin: analysis.Undefined, CILow: analysis.Undefined, CIHigh: analysis.Undefined, Fieller: Range{analysis.Undefined, analysis.Undefined}, Call: Undecided,
		P: analysis.Undefined, PHolm: analysis.Undefined, PTie: analysis.Undefined, PTieHolm: analysis.Undefined, AtMost: analysis.Undefined, SessionLow: analysis.Undefined, SessionHigh: analysis.Undefined,
		Covers: variance.CoversSession, higher: kind.Rate, order: rest, precision: variance.Precision{SE: math.NaN()}}
	fa, fb := a.Figure(kind.Name), b.Figure(kind.Name)
	m.BaseFigure, m.ValueFigure = fa.Mean, fb.Mean
	if full {
		m.warn(a, b)
	}
	if fa.N == 0 || fb.N == 0 {
		m.Reason = "no usable pass of " + either(fa.N == 0, m.Base, m.Value)
		return m
	}
	m.log = fb.Log() - fa.Log()
	m.Margin = analysis.Number(math.Expm1(m.log))
	if fa.N < 2 || fb.N < 2 {
		m.Reason = "one pass alone of " + either(fa.N < 2, m.Base, m.Value)
		return m
	}
	m.base, m.value = fa.Basis(), fb.Basis()
	m.precision = variance.Of(m.terms()...)
	m.Covers = m.precision.Covers
	if full {
		m.Fieller = fieller(a, b, kind, o.Confidence)
	}
	if !(m.precision.SE > 0) {
		m.Reason = "the passes of both show no spread at all, so that there is nothing to judge by"
		return m
	}
	r := about(m.precision, m.log, o)
	m.CILow, m.CIHigh, m.SessionLow, m.SessionHigh, m.P, m.PTie, m.AtMost = r.low, r.high, r.sessionLow, r.sessionHigh, r.p, r.tie, r.atMost
	return m
}

// terms are what the logarithm of the margin is the sum of.
func (m Margin) terms() []variance.Term {
	if m.base == nil || m.value == nil {
		return nil
	}
	return []variance.Term{{Of: m.value, Weight: 1}, {Of: m.base, Weight: -1}}
}

func (m Margin) comparison() comparison {
	return comparison{ratio: ratio{low: m.CILow, high: m.CIHigh, p: m.P, tie: m.PTie, atMost: m.AtMost}, terms: m.terms(),
		log: m.log, margin: m.Margin, pHolm: m.PHolm, call: m.Call, metric: m.Metric, reason: m.Reason}
}

// ratio is what can be said about a ratio, less 1, whose logarithm is known.
type ratio struct{ low, high, sessionLow, sessionHigh, p, tie, atMost analysis.Number }

func about(p variance.Precision, log float64, o analysis.Options) ratio {
	e, within := stats.About(log, p.SE, p.DF, o.Confidence), stats.About(log, p.SessionSE, p.SessionDF, o.Confidence)
	r := ratio{low: analysis.Number(math.Expm1(e.Low)), high: analysis.Number(math.Expm1(e.High)), p: analysis.Number(e.P), tie: analysis.Undefined, atMost: analysis.Undefined,
		sessionLow: analysis.Number(math.Expm1(within.Low)), sessionHigh: analysis.Number(math.Expm1(within.High))}
	if q, err := stats.Equivalent(log, p.SE, p.DF, 1+o.Tie, o.Alpha); err == nil && q.Defined {
		r.tie = analysis.Number(q.P)
	}
	// Both one-sided tests reject at a bound b as soon as b > |log| + t se.
	if p.SE > 0 && p.DF > 0 {
		r.atMost = analysis.Number(math.Expm1(math.Abs(log) + stats.TQuantile(1-o.Alpha, p.DF)*p.SE))
	}
	return r
}

func either(first bool, a, b string) string {
	if first {
		return a
	}
	return b
}

// fieller gives the confidence set of the ratio of plain means, less 1, where it is an interval.
func fieller(a, b analysis.Cell, kind analysis.Metric, conf float64) Range {
	set, err := stats.Fieller(values(b, kind), values(a, kind), conf)
	if err != nil || set.Shape != "bounded" {
		return Range{analysis.Undefined, analysis.Undefined}
	}
	return Range{analysis.Number(set.Low - 1), analysis.Number(set.High - 1)}
}

func values(c analysis.Cell, kind analysis.Metric) []float64 {
	var out []float64
	for _, p := range c.Counted() {
		if v := kind.Of(p.Metrics); analysis.Positive(v) {
			out = append(out, v)
		}
	}
	return out
}

// warn says what else differs between the cells, and what they themselves warn of.
func (m *Margin) warn(a, b analysis.Cell) {
	for _, c := range []analysis.Cell{a, b} {
		if c.Figures[m.Metric].Shown == "median" {
			m.Warnings = append(m.Warnings, "the passes of "+c.Factors[m.By]+" do not agree")
		}
		if c.Conditions() > 1 {
			m.Warnings = append(m.Warnings, "the passes of "+c.Factors[m.By]+" were taken under different conditions")
		}
	}
	if len(a.Counted()) == 0 || len(b.Counted()) == 0 {
		return
	}
	// Only what cannot follow from the factor itself: another card brings another driver.
	for _, t := range analysis.ConditionTags(append(slices.Clone(a.Counted()), b.Counted()...), append(append(slices.Clone(m.order), m.By), m.implied()...)) {
		x, y := a.Counted()[0].Tags.Value(t), b.Counted()[0].Tags.Value(t)
		if x != y {
			m.Warnings = append(m.Warnings, fmt.Sprintf("%s differs: %s, %s", t, orUnknown(x), orUnknown(y)))
		}
	}
}

func (m *Margin) implied() []string {
	if m.By == "gpu" {
		return []string{"driver"}
	}
	return nil
}

func orUnknown(s string) string {
	if s == "" {
		return "unknown"
	}
	return s
}

// call adjusts the p values over the table and decides.
func call(margins []Margin, o analysis.Options) {
	p, q := make([]float64, len(margins)), make([]float64, len(margins))
	for i, m := range margins {
		p[i], q[i] = float64(m.P), float64(m.PTie)
	}
	p, q = stats.Holm(p), stats.Holm(q)
	for i := range margins {
		m := &margins[i]
		m.PHolm, m.PTieHolm = analysis.Number(p[i]), analysis.Number(q[i])
		if !(m.precision.SE > 0) {
			continue
		}
		m.Call, m.Reason = decide(p[i], float64(m.PTie), m.log, m.higher, o)
	}
}

// decide makes a call from the p value of no difference, adjusted over the table, and that
// of a difference of the threshold or more, of this comparison alone. A finding that is
// picked from many needs the adjustment; a bound is said of each by itself, as an interval
// is: with it no table of a hundred cells shows a tie that its passes do show.
func decide(p, tie, log float64, higher bool, o analysis.Options) (Call, string) {
	switch {
	case tie < o.Alpha:
		return Tie, fmt.Sprintf("the difference is shown to be below %g %% (%s)", 100*o.Tie, chance(tie))
	case p < o.Alpha && (log > 0) == higher:
		return Faster, fmt.Sprintf("the difference is more than the noise of the passes explains (%s)", chance(p))
	case p < o.Alpha:
		return Slower, fmt.Sprintf("the difference is more than the noise of the passes explains (%s)", chance(p))
	}
	return Undecided, fmt.Sprintf("neither a difference (%s) nor a tie within %g %% (%s) is shown", chance(p), 100*o.Tie, chance(tie))
}

// chance prints a p value for people, who need no more than its size.
func chance(p float64) string {
	if p < 0.001 {
		return "p < 0.001"
	}
	return fmt.Sprintf("p %.2g", p)
}
