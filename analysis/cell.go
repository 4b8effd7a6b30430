package analysis

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"capd.example/analysis/variance"
	"capd.example/record"
	"capd.example/stats"
)

// Cell is one combination of the factors with the figures of its passes.
type Cell struct {
	Factors map[string]string `json:"factors"`
	Passes  Passes            `json:"passes"`
	Figures map[string]Figure `json:"-"` // by the metric's name; in JSON each under its own name
	Agree   record.Finding    `json:"agree"`
	// Sessions is the number of sessions that the passes that count are from.
	Sessions int    `json:"sessions"`
	Regime   Regime `json:"regime,omitempty"`

	// Warnings are what a reader of the figures must know: a missing factor, passes of
	// more than one system, driver or game version, passes that are doubtful.
	Warnings []string `json:"warnings,omitempty"`
	// Mixed is in what the passes that count were not taken alike.
	Mixed []Mix `json:"mixed,omitempty"`
	// Older says of a cell that rests on an older campaign's passes which these are.
	Older *Older `json:"older,omitempty"`

	order   []string // factors in their order
	used    []record.Pass
	session []string // of each of used
	groups  [][]int  // indexes of used that were taken under the same conditions
}

// Older are passes of an earlier time that stand in for a cell.
type Older struct {
	Campaign string    `json:"campaign"` // "" where they bear none
	Passes   int       `json:"passes"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
}

// Passes says which passes a cell rests on.
type Passes struct {
	Used    []UsedPass `json:"used"`
	LeftOut []LeftOut  `json:"left_out"`
}

// UsedPass is a pass that counts.
type UsedPass struct {
	ID      string         `json:"id"`
	SHA256  string         `json:"sha256"`
	Log     string         `json:"log"`
	Verdict record.Verdict `json:"verdict"`
}

// LeftOut is a pass that does not count, and why.
type LeftOut struct {
	ID  string `json:"id"`
	Why string `json:"why"`
}

// Figure is one metric of a cell: the mean of its passes and how well it is known.
//
// CILow and CIHigh are the t interval on logarithms (about the geometric mean) from the
// spread that Spread names, for what Covers says: of sessions the rate on an average one.
// SessionLow and SessionHigh are the one of repeats within the sessions as they were, OwnLow
// and OwnHigh that from the cell alone.
type Figure struct {
	N      int    `json:"n"`
	Mean   Number `json:"mean"`
	SD     Number `json:"sd"`
	CV     Number `json:"cv"` // SD / Mean
	CILow  Number `json:"ci_low"`
	CIHigh Number `json:"ci_high"`
	OwnLow Number `json:"own_ci_low"`
	OwnHi  Number `json:"own_ci_high"`

	Covers      variance.Covers `json:"covers"`
	SessionLow  Number          `json:"session_ci_low"`
	SessionHigh Number          `json:"session_ci_high"`

	Median Number `json:"median"`
	// Shown is what a table should print: "mean", or "median" of passes that disagree.
	Shown  string `json:"shown"`
	Spread Spread `json:"spread"`

	logMean  float64
	ownSD    float64 // of logarithms, within sessions if ownDF > 0
	ownDF    float64
	acrossSD float64 // of the means of sessions
	acrossDF float64
	basis    *variance.Basis
	between  *variance.Sessions // that CILow and CIHigh rest on
}

// Value returns the figure that a table should print.
func (f Figure) Value() float64 {
	if f.Shown == "median" {
		return float64(f.Median)
	}
	return float64(f.Mean)
}

// Spread is the repeatability standard deviation of a logarithm that an interval rests on.
type Spread struct {
	SD     Number `json:"sd"` // 0.01 is one per cent
	DF     Number `json:"df"`
	Pooled bool   `json:"pooled"`
	From   string `json:"from"` // for people

	key    variance.Pool // of the pool
	across bool          // SD is that of means of sessions
}

// Log returns the mean of the logarithms of the passes; NaN for none.
func (f Figure) Log() float64 { return f.logMean }

// Basis returns what the figure's intervals rest on; nil where nothing is known of its spread.
func (f Figure) Basis() *variance.Basis { return f.basis }

// Own returns the standard deviation of the logarithms of the cell's own passes, within
// sessions, with its degrees of freedom.
func (f Figure) Own() (sd, df float64) { return f.ownSD, f.ownDF }

// Difference returns the standard error of the difference of the logarithms of two figures,
// NaN where nothing is known of one.
func Difference(a, b Figure) (se, df float64) {
	if a.basis == nil || b.basis == nil {
		return math.NaN(), 0
	}
	p := variance.Of(variance.Term{Of: b.basis, Weight: 1}, variance.Term{Of: a.basis, Weight: -1})
	return p.SE, p.DF
}

// Counted returns the passes that count.
func (c Cell) Counted() []record.Pass { return c.used }

// Conditions returns under how many different conditions the passes that count were taken.
func (c Cell) Conditions() int { return len(c.groups) }

// Figure returns the named figure.
func (c Cell) Figure(metric string) Figure { return c.Figures[metric] }

// Name names the cell by its factor values in their order.
func (c Cell) Name() string { return cmp.Or(NameOf(c.Factors, c.order), NoTags) }

// NoTags stands for the name of a cell whose passes have no tag that is a factor.
const NoTags = "(no tags)"

// NameOf names a combination of factors by its values in their order.
func NameOf(factors map[string]string, order []string) string {
	var parts []string
	for _, f := range order {
		if v := factors[f]; v != "" {
			parts = append(parts, v)
		}
	}
	return strings.Join(parts, " / ")
}

// MarshalJSON writes each figure under its metric's name beside the other fields.
func (c Cell) MarshalJSON() ([]byte, error) {
	type plain Cell
	head, err := json.Marshal(plain(c))
	if err != nil {
		return nil, err
	}
	out := head[:len(head)-1]
	for _, m := range Metrics {
		f, ok := c.Figures[m.Name]
		if !ok {
			continue
		}
		text, err := json.Marshal(f)
		if err != nil {
			return nil, err
		}
		out = append(out, fmt.Sprintf(",%q:%s", m.Name, text)...)
	}
	return append(out, '}'), nil
}

// Cells groups passes into cells in order of their factor values and computes the figures
// of each. Only a pass whose verdict is bad (by its findings, or by the reviewer's own
// word) or that has no frame rate is left out, never one for being far from the others.
func Cells(passes []record.Pass, o Options) []Cell {
	o = o.WithDefaults()
	all := withHistory(passes, o.History)
	wide := withHistory(all, o.Elsewhere)
	session := record.SessionOf(wide)
	cells := group(passes, o.Factors, session)
	for i := range cells {
		cells[i].Mixed = Mixed(cells[i].used, o.Systems, o.Factors)
		for _, m := range cells[i].Mixed {
			cells[i].warn("%s", m)
		}
		cells[i].measure(o.Confidence)
	}
	inPlannedOrder(cells, o)
	regimes(cells, o.Factors)
	pools := newPools(cells, session, o)
	every := cells
	if len(wide) > len(passes) {
		every = group(wide, o.Factors, session)
	}
	sessions := sessionSpreads(every, pools, regimeOfCells(cells, o.Factors), o)
	for i := range cells {
		cells[i].judge(pools, sessions, o)
	}
	return cells
}

// withHistory returns passes and those of history that are not among them.
func withHistory(passes, history []record.Pass) []record.Pass {
	listed := make(map[string]bool, len(passes))
	for _, p := range passes {
		listed[p.ID] = true
	}
	all := passes[:len(passes):len(passes)]
	for _, h := range history {
		if !listed[h.ID] {
			all = append(all, h)
		}
	}
	return all
}

// regimeOfCells returns the regimes by cell.
func regimeOfCells(cells []Cell, factors []string) map[string]Regime {
	out := make(map[string]Regime, len(cells))
	for _, c := range cells {
		if len(c.used) > 0 {
			out[cellKey(c.used[0].Tags, factors)] = c.Regime
		}
	}
	return out
}

// group sorts passes into cells without figures; session maps passes to sessions.
func group(passes []record.Pass, factors []string, session map[string]string) []Cell {
	at := map[string]int{}
	var cells []Cell
	for _, p := range inOrder(passes) {
		key := cellKey(p.Tags, factors)
		i, ok := at[key]
		if !ok {
			i = len(cells)
			at[key] = i
			cells = append(cells, Cell{Factors: p.Tags.Cell(factors), order: factors,
				Passes: Passes{Used: []UsedPass{}, LeftOut: []LeftOut{}}})
		}
		cells[i].add(p)
	}
	slices.SortStableFunc(cells, func(a, b Cell) int {
		for _, f := range factors {
			if d := Naturally(a.Factors[f], b.Factors[f]); d != 0 {
				return d
			}
		}
		return 0
	})
	for i := range cells {
		cells[i].look(session)
	}
	return cells
}

// inPlannedOrder sorts cells as [Options.Levels] has it; levels that it does not know come
// after the others in their natural order.
func inPlannedOrder(cells []Cell, o Options) {
	if len(o.Levels) == 0 {
		return
	}
	order := map[string]func(a, b string) int{}
	for _, f := range o.Factors {
		order[f] = o.Order(f)
	}
	slices.SortStableFunc(cells, func(a, b Cell) int {
		for _, f := range o.Factors {
			if d := order[f](a.Factors[f], b.Factors[f]); d != 0 {
				return d
			}
		}
		return 0
	})
}

// inOrder sorts passes by time, then identity, so that a result does not depend on the
// order in which they were handed over.
func inOrder(passes []record.Pass) []record.Pass {
	out := slices.Clone(passes)
	slices.SortStableFunc(out, func(a, b record.Pass) int {
		return cmp.Or(a.StartedAt.Compare(b.StartedAt), cmp.Compare(a.ID, b.ID))
	})
	return out
}

func cellKey(tags record.Tags, factors []string) string {
	var b strings.Builder
	for _, f := range factors {
		b.WriteString(tags.Value(f))
		b.WriteByte(0)
	}
	return b.String()
}

func (c *Cell) add(p record.Pass) {
	why := ""
	switch {
	case p.Verdict == record.VerdictBad:
		why = whyBad(p)
	case !Positive(p.Metrics.AvgFPS):
		why = "it has no frame rate"
	}
	if why != "" {
		c.Passes.LeftOut = append(c.Passes.LeftOut, LeftOut{p.ID, why})
		return
	}
	c.Passes.Used = append(c.Passes.Used, UsedPass{p.ID, p.SHA256, p.Log, p.Verdict})
	c.used = append(c.used, p)
}

func whyBad(p record.Pass) string {
	if p.Overruled != "" {
		return "judged bad by hand: " + p.Overruled
	}
	for _, f := range p.Findings {
		if f.Outcome == record.Bad {
			return f.Check + ": " + f.Reason
		}
	}
	return "its verdict is bad"
}

// look finds what a reader of the cell must know and groups its passes by the conditions
// under which they were taken.
func (c *Cell) look(session map[string]string) {
	for _, f := range c.order {
		switch {
		case c.Factors[f] != "":
		case f == record.TagGame:
			c.warn("the passes have no tag %q: they may be of several games", f)
		default:
			c.warn("the passes have no tag %q", f)
		}
	}
	if len(c.used) == 0 {
		c.warn("no usable pass")
		return
	}
	doubtful, unverified := 0, 0
	for _, p := range c.used {
		switch p.Verdict {
		case record.VerdictDoubtful:
			doubtful++
		case record.Unverified:
			unverified++
		}
	}
	if doubtful > 0 {
		c.warn("%d of %s doubtful", doubtful, record.Count(len(c.used), "pass"))
	}
	if unverified > 0 {
		c.warn("%d of %s unverified", unverified, record.Count(len(c.used), "pass"))
	}
	for _, p := range c.used {
		if p.Overruled != "" {
			c.warn("%s counts by hand: %s", p.ID, p.Overruled)
		}
	}
	c.groups = conditions(c.used, c.order)
	seen := map[string]bool{}
	for _, p := range c.used {
		c.session = append(c.session, session[p.ID])
		seen[session[p.ID]] = true
	}
	c.Sessions = len(seen)
}

func (c *Cell) warn(format string, args ...any) {
	c.Warnings = append(c.Warnings, fmt.Sprintf(format, args...))
}

// notConditions are tags that name a pass or when it was taken, not how.
var notConditions = []string{record.TagPass, record.TagCampaign, record.TagBoot, record.TagSession}

// ConditionTags lists the tags of passes that are neither factors nor names of the pass.
func ConditionTags(passes []record.Pass, factors []string) []string {
	seen := map[string]bool{}
	for _, p := range passes {
		for name := range p.Tags {
			if !slices.Contains(notConditions, name) && !slices.Contains(factors, name) {
				seen[name] = true
			}
		}
	}
	out := make([]string, 0, len(seen))
	for name := range seen {
		out = append(out, name)
	}
	sort.Strings(out)
	return out
}

// conditions groups the indexes of passes by bench, system and condition tags.
func conditions(passes []record.Pass, factors []string) [][]int {
	tags := ConditionTags(passes, factors)
	at := map[string]int{}
	var out [][]int
	for i, p := range passes {
		key := p.Bench + "\x00" + p.System
		for _, t := range tags {
			key += "\x00" + p.Tags.Value(t)
		}
		g, ok := at[key]
		if !ok {
			g = len(out)
			at[key] = g
			out = append(out, nil)
		}
		out[g] = append(out[g], i)
	}
	return out
}

// measure computes what needs the cell's own passes only.
func (c *Cell) measure(conf float64) {
	c.Figures = make(map[string]Figure, len(Metrics))
	for _, m := range Metrics {
		c.Figures[m.Name] = c.ownFigure(m, conf)
	}
}

func (c *Cell) ownFigure(m Metric, conf float64) Figure {
	f := Figure{Mean: Undefined, SD: Undefined, CV: Undefined, CILow: Undefined, CIHigh: Undefined,
		OwnLow: Undefined, OwnHi: Undefined, Median: Undefined, Shown: "mean", Covers: variance.CoversSession, SessionLow: Undefined, SessionHigh: Undefined,
		Spread: Spread{SD: Undefined, DF: 0, From: "no spread: too few passes"}, logMean: math.NaN(), ownSD: math.NaN()}
	x := make([]float64, 0, len(c.used))
	ln := make([]float64, 0, len(c.used))
	index := make([]int, 0, len(c.used))
	for i, p := range c.used {
		if v := m.Of(p.Metrics); Positive(v) {
			x, ln, index = append(x, v), append(ln, math.Log(v)), append(index, i)
		}
	}
	f.N = len(x)
	if len(x) == 0 {
		f.Spread.From = "no usable pass"
		return f
	}
	plain := meanSD(x)
	logs := meanSD(ln)
	f.Mean, f.logMean, f.Median = Number(plain.mean), logs.mean, Number(median(x))
	if len(x) > 1 {
		f.SD, f.CV, f.ownSD, f.ownDF = Number(plain.sd), Number(plain.sd/plain.mean), logs.sd, float64(len(x)-1)
		if c.Sessions > 1 {
			f.bySession(*c, m, index)
		}
		f.OwnLow, f.OwnHi = logInterval(logs.mean, logs.sd/math.Sqrt(float64(len(x))), float64(len(x)-1), conf)
	}
	return f
}

// bySession splits the spread of passes into that within sessions and that of their means.
func (f *Figure) bySession(c Cell, m Metric, index []int) {
	var sd, df, means []float64
	for _, set := range c.bySession(index) {
		x := meanSD(c.logs(m, set))
		means = append(means, x.mean)
		if len(set) > 1 {
			sd, df = append(sd, x.sd), append(df, float64(len(set)-1))
		}
	}
	f.ownSD, f.ownDF = stats.PoolSD(sd, df)
	if len(means) > 1 {
		f.acrossSD, f.acrossDF = meanSD(means).sd, float64(len(means)-1)
	}
}

type moments struct{ mean, sd float64 }

// meanSD subtracts the first value, so that common digits cost nothing.
func meanSD(x []float64) moments {
	n := float64(len(x))
	var sum, ss float64
	for _, v := range x {
		sum += v - x[0]
	}
	m := sum / n
	for _, v := range x {
		ss += (v - x[0] - m) * (v - x[0] - m)
	}
	return moments{x[0] + m, math.Sqrt(ss / (n - 1))}
}

func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	if n := len(s); n%2 == 1 {
		return s[n/2]
	}
	return (s[len(s)/2-1] + s[len(s)/2]) / 2
}

// WarnedOfAll returns the warnings that several cells share, all of them: said in every row
// they would hide the others.
func WarnedOfAll(cells []Cell) (same []string) {
	if len(cells) < 2 {
		return nil
	}
	for _, w := range cells[0].Warnings {
		if !slices.ContainsFunc(cells, func(c Cell) bool { return !slices.Contains(c.Warnings, w) }) {
			same = append(same, w)
		}
	}
	return same
}
