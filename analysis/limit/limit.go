package limit

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/analysis"
	"capd.example/record"
	"capd.example/stats"
)

// What limits a cell, beside the three regimes.
const (
	ByCap   analysis.Regime = "cap"     // a frame cap
	Unknown analysis.Regime = "unknown" // the data cannot tell
)

// Limit says what limits one cell, and from what that follows.
type Limit struct {
	Factors map[string]string `json:"factors"`
	Limit   analysis.Regime   `json:"limit"`
	FPS     analysis.Number   `json:"avg_fps"`

	// Share is the processor's share in the model: 1 means that one per cent more of the
	// processor gives one per cent more frames, 0 that it gives none.
	Share     analysis.Number `json:"share"`
	ShareLow  analysis.Number `json:"share_low"`
	ShareHigh analysis.Number `json:"share_high"`
	Fitted    analysis.Number `json:"fitted_fps"`
	Residual  analysis.Number `json:"residual"` // ln(measured / fitted)

	Processor Steps `json:"processor_steps"`
	Card      Steps `json:"card_steps"`
	Load      *Load `json:"load,omitempty"`

	Reason string `json:"reason"`
	name   string
}

// Name names the cell.
func (l Limit) Name() string { return l.name }

// Steps are what a better and a lesser part of a kind change, all else alike. For a card
// another resolution is such a step too.
type Steps struct {
	Better *Step `json:"better,omitempty"`
	Lesser *Step `json:"lesser,omitempty"`
}

// Step is the change of a cell's rate when one part is exchanged.
type Step struct {
	To     string          `json:"to"`
	Change analysis.Number `json:"change"` // 0.05: the other part gives 5 % more
	P      analysis.Number `json:"p"`      // of no change
	Beyond bool            `json:"beyond_noise"`

	resolution string // of the other cell, where that alone changed what the card has to do
	alone      bool   // a cell has one pass and nothing tells its noise
}

// Load is what telemetry says of the passes of a cell: medians over their samples.
type Load struct {
	Graphics analysis.Number `json:"graphics_percent"`
	Core     analysis.Number `json:"busiest_core_percent"`
}

// Loads (conventions, per cent): a card that limits is hardly ever idle, and one that is
// idle for a good part of the time does not limit.
const (
	cardBusy = 95
	cardIdle = 85
)

// model is one game's model, with what exchanges of parts tell beside it.
type model struct{ *analysis.Model }

// Limits says what limits each cell by its average rate. loads holds what telemetry says,
// by pass; nil where there is none.
func Limits(cells []analysis.Cell, loads map[string]Load, o analysis.Options) ([]Limit, []*analysis.Model) {
	o = o.WithDefaults()
	models := analysis.FitModels(cells, analysis.Average, o.Factors, analysis.RefitLimit)
	owner := make([]*analysis.Model, len(cells))
	by := map[*analysis.Model]kinds{}
	for _, m := range models {
		for _, i := range m.Of {
			owner[i] = m
		}
		by[m] = model{m}.kinds(cells, o)
	}
	out := make([]Limit, len(cells))
	for i, c := range cells {
		l := Limit{Factors: c.Factors, Limit: Unknown, FPS: c.Figure(analysis.Average).Mean, Share: analysis.Undefined, ShareLow: analysis.Undefined, ShareHigh: analysis.Undefined,
			Fitted: analysis.Undefined, Residual: analysis.Undefined, Load: meanLoad(c, loads), name: c.Name()}
		switch {
		case len(c.Counted()) == 0:
			l.Reason = "no usable pass"
		case c.Capped():
			l.Limit, l.Reason = ByCap, "its passes are held by a frame cap"
		case owner[i] == nil:
			l.Reason = fmt.Sprintf("%s (%s)", c.Unmodelled(), analysis.SomeIDs(c.IDs()))
		default:
			l.decide(model{owner[i]}, cells, i, by[owner[i]], o)
		}
		out[i] = l
	}
	return out, models
}

func meanLoad(c analysis.Cell, loads map[string]Load) *Load {
	var graphics, core []float64
	for _, p := range c.Counted() {
		l, ok := loads[p.ID]
		if !ok {
			continue
		}
		if l.Graphics.Known() {
			graphics = append(graphics, float64(l.Graphics))
		}
		if l.Core.Known() {
			core = append(core, float64(l.Core))
		}
	}
	if len(graphics)+len(core) == 0 {
		return nil
	}
	out := Load{analysis.Undefined, analysis.Undefined}
	if len(graphics) > 0 {
		out.Graphics = analysis.Median(graphics)
	}
	if len(core) > 0 {
		out.Core = analysis.Median(core)
	}
	return &out
}

// decide combines three views: what exchanging parts changes beyond noise, the model, and
// telemetry. Where they contradict each other, nothing is claimed.
func (l *Limit) decide(m model, cells []analysis.Cell, i int, by kinds, o analysis.Options) {
	p := m.At[i]
	l.Processor = m.steps(cells, i, true, by.processors, o)
	l.Card = m.steps(cells, i, false, by.cards, o)
	why := append(l.Processor.words("processor"), l.Card.words("card")...)
	seen := m.sharesSeen(cells, p, by, o)
	share, fitted := math.NaN(), interval{0, 1}
	if m.Solved() {
		share = m.Fit.Share[p]
		fitted.low, fitted.high = m.ShareInterval(p)
		l.Share, l.ShareLow, l.ShareHigh = analysis.Number(share), analysis.Number(fitted.low), analysis.Number(fitted.high)
		l.Fitted = analysis.Number(math.Exp(m.Fit.Fitted[p]))
		l.Residual = analysis.Number(math.Log(m.Points[p].Y) - m.Fit.Fitted[p])
		why = append(why, fmt.Sprintf("the model gives the processor a share of %.2f (%.2f to %.2f)", share, fitted.low, fitted.high))
	}
	l.Limit = merge(seen, share, fitted)
	if l.Limit == Unknown && seen.high > 0.5 && share > 0.4 && l.Processor.size() > 0 && m.least(cells, p, false, o) <= smallBeside*l.Processor.size() && unsteady(cells, m, i) {
		l.Limit = analysis.ByProcessor
		why = append(why, "a change of processor does more than one of the card, and the passes spread unlike those of the cells that the card limits")
	}
	if l.Limit == Unknown {
		if seen.low > seen.high+slack || fitted.low > seen.high+slack || fitted.high < seen.low-slack {
			why = append(why, "these contradict each other")
		} else {
			why = append(why, "that does not tell")
		}
	}
	l.Reason = strings.Join(why, "; ")
	l.hear()
}

// kinds are the orders of the parts of a game, and the sharpness that exchanges are read by.
type kinds struct {
	processors, cards partOrder
	q                 sharpness
}

// usual is the sharpness that exchanges are read by where the model tells none: softer
// and harder corners are rare (a convention).
var usual = sharpness{soft: 4, hard: 20}

func (m model) kinds(cells []analysis.Cell, o analysis.Options) kinds {
	k := kinds{processors: m.rank(cells, true, o), cards: m.rank(cells, false, o), q: usual}
	if m.Solved() {
		soft, hard := m.Fit.Sharpness(m.Fit.Sigma, stats.TQuantile(allowed, m.Fit.DF))
		k.q.soft = math.Max(k.q.soft, math.Min(math.Min(m.Fit.Q/1.5, soft), 12))
		k.q.hard = math.Max(k.q.hard, math.Min(math.Max(1.5*m.Fit.Q, hard), 40))
	}
	return k
}

// slack is by how much limits may contradict each other: they are drawn from noisy rates.
const slack = 0.1

// interval holds the processor's share in a cell.
type interval struct{ low, high float64 }

// sharesSeen bounds the processor's share by exchanges alone: by those of the processor,
// and by what those of the card leave.
func (m model) sharesSeen(cells []analysis.Cell, point int, by kinds, o analysis.Options) interval {
	low, high := m.shareOf(cells, point, true, by.processors, by.q, o)
	cardLow, cardHigh := m.shareOf(cells, point, false, by.cards, by.q, o)
	return interval{math.Max(low, 1-cardHigh), math.Min(high, 1-cardLow)}
}

// merge names the part from what exchanges show of the processor's share and the model's
// own share, NaN where it has none. Exchanges alone suffice; the model needs something of
// them on its side (conventions), since the ceilings of parts that tie, or that nothing
// lies above, are what noise makes of them.
func merge(seen interval, share float64, fitted interval) analysis.Regime {
	if seen.low > seen.high+slack {
		return Unknown
	}
	seen.low = math.Min(seen.low, seen.high)
	likely := math.Max(seen.low, math.Min(share, seen.high))
	if math.IsNaN(share) {
		likely = (seen.low + seen.high) / 2
	}
	agrees := likely == share
	switch {
	case seen.low > 0.5:
		return leaning(likely, seen, analysis.ByProcessor)
	case seen.high < 0.5:
		return leaning(likely, seen, analysis.ByGraphics)
	case agrees && (fitted.low >= 0.6 && seen.low > 0.3 || fitted.low > 0.4 && seen.low > 0.4),
		agrees && fitted.high <= 0.4 && seen.high < 0.7:
		return analysis.RegimeOf(share)
	case agrees && analysis.OneSided(analysis.ByBoth, fitted.low, fitted.high) && analysis.RegimeOf(share) == analysis.ByBoth,
		seen.low > analysis.OpenShare && seen.high < 1-analysis.OpenShare:
		return analysis.ByBoth
	}
	return Unknown
}

// leaning names the part that has more than half of the share: it alone, unless the other
// certainly has a good part.
func leaning(likely float64, seen interval, part analysis.Regime) analysis.Regime {
	if analysis.RegimeOf(likely) == analysis.ByBoth && seen.low > analysis.GraphicsShare && seen.high < analysis.ProcessorShare {
		return analysis.ByBoth
	}
	return part
}

// hear compares with telemetry.
func (l *Limit) hear() {
	if l.Load == nil || !l.Load.Graphics.Known() {
		return
	}
	busy := float64(l.Load.Graphics)
	text := fmt.Sprintf("; the graphics load was %.0f %%", busy)
	switch {
	case l.Limit == analysis.ByGraphics && busy < cardIdle, l.Limit == analysis.ByProcessor && busy > 99:
		l.Limit = Unknown
		text += ", which contradicts that"
	case l.Limit == Unknown && busy >= cardBusy && !(l.Share > 0.5):
		l.Limit = analysis.ByGraphics
	case l.Limit == Unknown && busy < cardIdle && l.Load.Core >= cardBusy && !(l.Share < 0.5):
		l.Limit = analysis.ByProcessor
		text += fmt.Sprintf(" and that of the busiest core %.0f %%", float64(l.Load.Core))
	}
	l.Reason += text
}

// smallBeside is the largest part of the other effect that counts as small (a convention).
const smallBeside = 0.4

// size is the size of the change that the words name, as a logarithm; 0 for none.
func (s Steps) size() float64 {
	step := s.Better
	if step == nil {
		step = s.Lesser
	}
	if step == nil {
		return 0
	}
	return math.Abs(math.Log1p(float64(step.Change)))
}

// unsteady reports whether the passes of a cell spread far more than those of the cells of
// the same game that the card limits (F test at one in a
// million, since all cells of all games are tried): a cell that the card limits repeats
// as they do.
func unsteady(cells []analysis.Cell, m model, i int) bool {
	own, free := cells[i].Figure(analysis.Average).Own()
	var sd, df []float64
	for _, k := range m.Of {
		own, free := cells[k].Figure(analysis.Average).Own()
		if k != i && cells[k].Regime == analysis.ByGraphics && free > 0 && cells[k].Conditions() == 1 {
			sd, df = append(sd, own), append(df, free)
		}
	}
	s, v := stats.PoolSD(sd, df)
	if v < 4 || !(s > 0) || !(free > 0) {
		return false
	}
	return math.Pow(own/s, 2) > distuv.F{D1: free, D2: v}.Quantile(1-1e-6)
}

func (s Steps) words(kind string) []string {
	step := s.Better
	word := "better"
	if step == nil {
		step, word = s.Lesser, "lesser"
	}
	if step == nil {
		return []string{"no other " + kind + " here is shown to be better or lesser"}
	}
	beyond := "beyond noise"
	switch {
	case step.alone:
		beyond = "of which one pass alone cannot tell whether it is noise"
	case !step.Beyond:
		beyond = "not beyond noise"
	}
	if step.resolution != "" {
		word = map[string]string{"better": "less", "lesser": "more"}[word]
		return []string{fmt.Sprintf("%s work for the same %s (at %s) changes %+.1f %%, %s", word, kind, step.resolution, 100*float64(step.Change), beyond)}
	}
	return []string{fmt.Sprintf("a %s %s (%s) changes %+.1f %%, %s", word, kind, step.To, 100*float64(step.Change), beyond)}
}

// steps looks for the best of the better parts, since if even that one gives nothing the
// part is no limit, and for the next of the lesser ones.
func (m model) steps(cells []analysis.Cell, i int, processor bool, r partOrder, o analysis.Options) Steps {
	var s Steps
	better, lesser := -1, -1
	most, least := 0.0, math.Inf(1)
	for k := range m.Points {
		if !m.exchanged(m.At[i], k, processor) {
			continue
		}
		mine, other := m.part(m.At[i], processor), m.part(k, processor)
		switch {
		case r.better(other, mine) && r.ahead[other][mine] > most:
			most, better = r.ahead[other][mine], k
		case r.better(mine, other) && r.ahead[mine][other] < least:
			least, lesser = r.ahead[mine][other], k
		}
	}
	if better >= 0 {
		s.Better = m.step(cells, i, m.Of[better], processor, o)
	}
	if lesser >= 0 {
		s.Lesser = m.step(cells, i, m.Of[lesser], processor, o)
	}
	return s
}

func (m model) step(cells []analysis.Cell, from, to int, processor bool, o analysis.Options) *Step {
	a, b := cells[from].Figure(m.Metric), cells[to].Figure(m.Metric)
	values, mine := m.G.Values[m.Points[m.At[to]].G], m.G.Values[m.Points[m.At[from]].G]
	s := &Step{To: describe(values, analysis.CardOnly...), Change: analysis.Number(math.Expm1(b.Log() - a.Log())), P: analysis.Undefined}
	if processor {
		s.To = describe(m.C.Values[m.Points[m.At[to]].C], "cpu")
	} else if values[record.TagGraphics] == mine[record.TagGraphics] {
		s.resolution = values[record.TagResolution]
	}
	se, df := analysis.Difference(a, b)
	if !(se > 0) || !(df > 0) {
		// Without a spread a change counts where it is larger than the practical threshold.
		s.alone = a.N == 1 || b.N == 1
		s.Beyond = math.Abs(float64(s.Change)) > o.Tie && !s.alone
		return s
	}
	e := stats.About(b.Log()-a.Log(), se, df, o.Confidence)
	s.P = analysis.Number(e.P)
	s.Beyond = e.P < o.Alpha && math.Abs(float64(s.Change)) > o.Tie
	return s
}

// describe names the part of a ceiling for people: "G2 at 1920x1080".
func describe(values map[string]string, factors ...string) string {
	var parts []string
	for _, f := range factors {
		if v := values[f]; v != "" {
			parts = append(parts, v)
		}
	}
	return strings.Join(parts, " at ")
}
