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
			l.decide(owner[i], cells, i, o)
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

// decide combines three views: what exchanging a part changes beyond noise, the model, and
// telemetry. Where they contradict each other, nothing is claimed.
func (l *Limit) decide(m *Model, cells []Cell, i int, o Options) {
	shape, why := l.shape(m, cells, i, o)
	model, sure := Regime(""), false
	if m.solved() {
		p := m.at[i]
		low, high := m.shareInterval(p)
		l.Share, l.ShareLow, l.ShareHigh = Number(m.fit.Share[p]), Number(low), Number(high)
		l.Fitted = Number(math.Exp(m.fit.Fitted[p]))
		l.Residual = Number(math.Log(m.points[p].Y) - m.fit.Fitted[p])
		model = regimeOf(m.fit.Share[p])
		sure = oneSided(model, low, high)
		why = append(why, fmt.Sprintf("the model gives the processor a share of %.2f (%.2f to %.2f)", m.fit.Share[p], low, high))
	}
	l.Limit = merge(shape, model, sure, l.Share)
	if l.Limit == Unknown && shape == "" && !sure && l.Card.size() <= smallBeside*l.Processor.size() && unsteady(cells, m, i) {
		l.Limit = ByProcessor
		why = append(why, "a change of processor does more than one of the card, and the passes spread unlike those of the cells that the card limits")
	}
	if l.Limit == Unknown {
		if shape != "" && model != "" {
			why = append(why, "these contradict each other")
		} else {
			why = append(why, "that does not tell")
		}
	}
	l.Reason = strings.Join(why, "; ")
	l.hear()
}

// merge lets the model decide where it is sure and does not contradict the shape. Where it
// is not sure the shape stands, unless the model's best guess leans two to one the other
// way (a convention).
func merge(shape, model Regime, sure bool, share Number) Regime {
	switch {
	case shape == "" && sure:
		return model
	case shape == "" || shape != model && sure && shape != ByBoth && model != ByBoth:
		return Unknown
	case sure:
		return model
	case shape == ByProcessor && share < 1.0/3 || shape == ByGraphics && share > 2.0/3:
		return Unknown
	}
	return shape
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

// felt is what steps along one kind of part say.
type felt int

const (
	open   felt = iota // no neighbour to tell by
	limits             // a better part gives more
	may                // a lesser part gives less, and there is no better one
	not                // a better part gives nothing, or a lesser one takes nothing
)

// shape judges by exchanging parts.
func (l *Limit) shape(m *Model, cells []Cell, i int, o Options) (Regime, []string) {
	l.Processor = m.steps(cells, i, true, o)
	l.Card = m.steps(cells, i, false, o)
	cpu, card := l.Processor.felt(), l.Card.felt()
	why := append(l.Processor.words("processor"), l.Card.words("card")...)
	// What is not beyond noise is nothing only where it is small beside the other effect.
	switch x, y := l.Processor.size(), l.Card.size(); {
	case cpu == not && (card == limits || card == may) && x <= smallBeside*y:
		return ByGraphics, why
	case card == not && (cpu == limits || cpu == may) && y <= smallBeside*x:
		return ByProcessor, why
	case cpu == limits && card == limits:
		return ByBoth, why
	}
	return "", why
}

// smallBeside is the largest part of the other effect that counts as small (a convention).
const smallBeside = 0.4

// size is the size of the change that felt judges, as a logarithm.
func (s Steps) size() float64 {
	step := s.Better
	if step == nil {
		step = s.Lesser
	}
	if step == nil {
		return math.Inf(1)
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

func (s Steps) felt() felt {
	switch {
	case s.Better != nil && s.Better.Beyond && s.Better.Change > 0:
		return limits
	case s.Better != nil:
		return not
	case s.Lesser != nil && s.Lesser.Beyond && s.Lesser.Change < 0:
		return may
	case s.Lesser != nil:
		return not
	}
	return open
}

func (s Steps) words(kind string) []string {
	step := s.Better
	word := "better"
	if step == nil {
		step, word = s.Lesser, "lesser"
	}
	if step == nil {
		return []string{"no other " + kind + " in the same cell"}
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
// part is no limit, and for the next of the lesser ones. Ceilings give the order.
func (m *Model) steps(cells []Cell, i int, processor bool, o Options) Steps {
	var s Steps
	if len(m.fit.C) == 0 {
		return s
	}
	me := m.points[m.at[i]]
	ceiling := func(p stats.SoftMinPoint) float64 {
		if processor {
			return m.fit.C[p.C]
		}
		return m.fit.G[p.G]
	}
	best, next := 0.0, 0.0
	better, lesser := -1, -1
	for k, p := range m.points {
		if processor && (p.G != me.G || p.C == me.C) || !processor && (p.C != me.C || p.G == me.G) {
			continue
		}
		x, mine := ceiling(p), ceiling(me)
		switch {
		case x >= mine*stepRatio && x > best:
			best, better = x, k
		case x*stepRatio <= mine && x > next:
			next, lesser = x, k
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
