package analysis

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/record"
	"capd.example/stats"
)

// What limits a cell, beside the three regimes.
const (
	ByCap   Regime = "cap"     // a frame cap
	Unknown Regime = "unknown" // the data cannot tell
)

// Limit says what limits one cell, and from what that follows.
type Limit struct {
	Factors map[string]string `json:"factors"`
	Limit   Regime            `json:"limit"`
	FPS     Number            `json:"avg_fps"`

	// Share is the processor's share in the model: 1 means that one per cent more of the
	// processor gives one per cent more frames, 0 that it gives none.
	Share     Number `json:"share"`
	ShareLow  Number `json:"share_low"`
	ShareHigh Number `json:"share_high"`
	Fitted    Number `json:"fitted_fps"`
	Residual  Number `json:"residual"` // ln(measured / fitted)

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
	To     string `json:"to"`
	Change Number `json:"change"` // 0.05: the other part gives 5 % more
	P      Number `json:"p"`      // of no change
	Beyond bool   `json:"beyond_noise"`

	resolution string // of the other cell, where that alone changed what the card has to do
	alone      bool   // a cell has one pass and nothing tells its noise
}

// Load is what telemetry says of the passes of a cell: medians over their samples.
type Load struct {
	Graphics Number `json:"graphics_percent"`
	Core     Number `json:"busiest_core_percent"`
}

// Loads (conventions, per cent): a card that limits is hardly ever idle, and one that is
// idle for a good part of the time does not limit.
const (
	cardBusy = 95
	cardIdle = 85
)

// stepRatio is how far apart two ceilings must be for a step to tell anything (a
// convention): a part that is no better cannot show a gain.
const stepRatio = 1.04

// Limits says what limits each cell by its average rate. loads holds what telemetry says,
// by pass; nil where there is none.
func Limits(cells []Cell, loads map[string]Load, o Options) ([]Limit, []*Model) {
	o = o.withDefaults()
	models := fitModels(cells, Average, o.Factors, refitLimit)
	owner := make([]*Model, len(cells))
	for _, m := range models {
		for _, i := range m.cells {
			owner[i] = m
		}
	}
	by := map[*Model]kinds{}
	for _, m := range models {
		by[m] = m.kinds(cells, o)
	}
	out := make([]Limit, len(cells))
	for i, c := range cells {
		l := Limit{Factors: c.Factors, Limit: Unknown, FPS: c.Figure(Average).Mean, Share: Undefined, ShareLow: Undefined, ShareHigh: Undefined,
			Fitted: Undefined, Residual: Undefined, Load: meanLoad(c, loads), name: c.Name()}
		switch {
		case len(c.used) == 0:
			l.Reason = "no usable pass"
		case c.capped():
			l.Limit, l.Reason = ByCap, "its passes are held by a frame cap"
		case owner[i] == nil:
			l.Reason = fmt.Sprintf("%s (%s)", c.unmodelled(), someIDs(c.IDs()))
		default:
			l.decide(owner[i], cells, i, by[owner[i]], o)
		}
		out[i] = l
	}
	return out, models
}

func meanLoad(c Cell, loads map[string]Load) *Load {
	var graphics, core []float64
	for _, p := range c.used {
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
	out := Load{Undefined, Undefined}
	if len(graphics) > 0 {
		out.Graphics = Number(median(graphics))
	}
	if len(core) > 0 {
		out.Core = Number(median(core))
	}
	return &out
}

// decide combines three views: what exchanging parts changes beyond noise, the model, and
// telemetry. Where they contradict each other, nothing is claimed.
func (l *Limit) decide(m *Model, cells []Cell, i int, by kinds, o Options) {
	p := m.at[i]
	l.Processor = m.steps(cells, i, true, by.processors, o)
	l.Card = m.steps(cells, i, false, by.cards, o)
	why := append(l.Processor.words("processor"), l.Card.words("card")...)
	seen := m.sharesSeen(cells, p, by, o)
	share, fitted := math.NaN(), interval{0, 1}
	if m.solved() {
		share = m.fit.Share[p]
		fitted.low, fitted.high = m.shareInterval(p)
		l.Share, l.ShareLow, l.ShareHigh = Number(share), Number(fitted.low), Number(fitted.high)
		l.Fitted = Number(math.Exp(m.fit.Fitted[p]))
		l.Residual = Number(math.Log(m.points[p].Y) - m.fit.Fitted[p])
		why = append(why, fmt.Sprintf("the model gives the processor a share of %.2f (%.2f to %.2f)", share, fitted.low, fitted.high))
	}
	l.Limit = merge(seen, share, fitted)
	if l.Limit == Unknown && seen.high > 0.5 && share > 0.4 && l.Processor.size() > 0 && m.least(cells, p, false, o) <= smallBeside*l.Processor.size() && unsteady(cells, m, i) {
		l.Limit = ByProcessor
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

func (m *Model) kinds(cells []Cell, o Options) kinds {
	k := kinds{processors: m.rank(cells, true, o), cards: m.rank(cells, false, o), q: usual}
	if m.solved() {
		k.q.soft = math.Max(k.q.soft, math.Min(m.fit.Q/1.5, 12))
		k.q.hard = math.Max(k.q.hard, math.Min(1.5*m.fit.Q, 40))
	}
	return k
}

// slack is by how much limits may contradict each other: they are drawn from noisy rates.
const slack = 0.1

// interval holds the processor's share in a cell.
type interval struct{ low, high float64 }

// sharesSeen bounds the processor's share by exchanges alone: by those of the processor,
// and by what those of the card leave.
func (m *Model) sharesSeen(cells []Cell, point int, by kinds, o Options) interval {
	low, high := m.shareOf(cells, point, true, by.processors, by.q, o)
	cardLow, cardHigh := m.shareOf(cells, point, false, by.cards, by.q, o)
	return interval{math.Max(low, 1-cardHigh), math.Min(high, 1-cardLow)}
}

// merge names the part from what exchanges show of the processor's share and the model's
// own share, NaN where it has none. Exchanges alone suffice; the model needs something of
// them on its side (conventions), since the ceilings of parts that tie, or that nothing
// lies above, are what noise makes of them.
func merge(seen interval, share float64, fitted interval) Regime {
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
		return leaning(likely, seen, ByProcessor)
	case seen.high < 0.5:
		return leaning(likely, seen, ByGraphics)
	case agrees && (fitted.low >= 0.5 && seen.low > 0.3 || fitted.low > 0.4 && seen.low > 0.4),
		agrees && fitted.high <= 0.5 && seen.high < 0.7:
		return regimeOf(share)
	case agrees && oneSided(ByBoth, fitted.low, fitted.high) && regimeOf(share) == ByBoth,
		seen.low > openShare && seen.high < 1-openShare:
		return ByBoth
	}
	return Unknown
}

// leaning names the part that has more than half of the share: it alone, unless the other
// certainly has a good part.
func leaning(likely float64, seen interval, part Regime) Regime {
	if regimeOf(likely) == ByBoth && seen.low > graphicsShare && seen.high < processorShare {
		return ByBoth
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
	case l.Limit == ByGraphics && busy < cardIdle, l.Limit == ByProcessor && busy > 99:
		l.Limit = Unknown
		text += ", which contradicts that"
	case l.Limit == Unknown && busy >= cardBusy && !(l.Share > 0.5):
		l.Limit = ByGraphics
	case l.Limit == Unknown && busy < cardIdle && l.Load.Core >= cardBusy && !(l.Share < 0.5):
		l.Limit = ByProcessor
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
// the same game that the card limits (F test at 0.1 %): a cell that the card limits repeats
// as they do.
func unsteady(cells []Cell, m *Model, i int) bool {
	f := cells[i].Figure(Average)
	var sd, df []float64
	for _, k := range m.cells {
		if k != i && cells[k].Regime == ByGraphics && cells[k].Figure(Average).ownDF > 0 && len(cells[k].groups) == 1 {
			sd, df = append(sd, cells[k].Figure(Average).ownSD), append(df, cells[k].Figure(Average).ownDF)
		}
	}
	s, v := stats.PoolSD(sd, df)
	if v < 4 || !(s > 0) || !(f.ownDF > 0) {
		return false
	}
	return math.Pow(f.ownSD/s, 2) > distuv.F{D1: f.ownDF, D2: v}.Quantile(0.999)
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
func (m *Model) steps(cells []Cell, i int, processor bool, r partOrder, o Options) Steps {
	var s Steps
	better, lesser := -1, -1
	most, least := 0.0, math.Inf(1)
	for k := range m.points {
		if !m.exchanged(m.at[i], k, processor) {
			continue
		}
		mine, other := m.part(m.at[i], processor), m.part(k, processor)
		switch {
		case r.better(other, mine) && r.ahead[other][mine] > most:
			most, better = r.ahead[other][mine], k
		case r.better(mine, other) && r.ahead[mine][other] < least:
			least, lesser = r.ahead[mine][other], k
		}
	}
	if better >= 0 {
		s.Better = m.step(cells, i, m.cells[better], processor, o)
	}
	if lesser >= 0 {
		s.Lesser = m.step(cells, i, m.cells[lesser], processor, o)
	}
	return s
}

func (m *Model) step(cells []Cell, from, to int, processor bool, o Options) *Step {
	a, b := cells[from].Figure(m.Metric), cells[to].Figure(m.Metric)
	values, mine := m.g.values[m.points[m.at[to]].G], m.g.values[m.points[m.at[from]].G]
	s := &Step{To: describe(values, cardOnly...), Change: Number(math.Expm1(b.logMean - a.logMean)), P: Undefined}
	if processor {
		s.To = describe(m.c.values[m.points[m.at[to]].C], "cpu")
	} else if values[record.TagGraphics] == mine[record.TagGraphics] {
		s.resolution = values[record.TagResolution]
	}
	se, df := combine(a, b)
	if !(se > 0) || !(df > 0) {
		// Without a spread a change counts where it is larger than the practical threshold.
		s.alone = a.N == 1 || b.N == 1
		s.Beyond = math.Abs(float64(s.Change)) > o.Tie && !s.alone
		return s
	}
	e := stats.About(b.logMean-a.logMean, se, df, o.Confidence)
	s.P = Number(e.P)
	s.Beyond = e.P < o.Alpha && math.Abs(float64(s.Change)) > o.Tie
	return s
}
