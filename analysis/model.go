package analysis

import (
	"math"
	"slices"
	"strings"

	"capd.example/record"
	"capd.example/stats"
)

// Model is a soft minimum fitted to one game's cells: each rate is about the smaller of
// what the processor and what the card can do, with a soft corner. The ceiling of a
// processor holds for all cards and resolutions, that of a card for all processors; both
// hold for one scene and preset alone. One sharpness holds for the game.
type Model struct {
	Game   string `json:"game"`
	Metric string `json:"metric"`
	Cells  int    `json:"cells"`
	Q      Number `json:"sharpness"`
	Sigma  Number `json:"residual_sd"` // of ln rate, of a cell
	DF     Number `json:"df"`
	Worst  Number `json:"worst_residual"` // of ln rate, by size
	// LeftOutError is the root mean square error of ln rate when a cell is predicted
	// from the others, over Predicted cells that the others determine.
	LeftOutError Number    `json:"left_out_error"`
	Predicted    int       `json:"left_out_cells"`
	Processors   []Ceiling `json:"processors"`
	Cards        []Ceiling `json:"cards"`
	Warnings     []string  `json:"warnings,omitempty"`

	fit    stats.SoftMinFit
	points []stats.SoftMinPoint
	cells  []int // index of the cell of each point
	at     map[int]int
	c, g   *names
}

// Ceiling is the highest rate that a part allows. Where Open, no measured cell is limited
// by it, so that it is a lower bound.
type Ceiling struct {
	Factors map[string]string `json:"factors"`
	FPS     Number            `json:"fps"`
	Open    bool              `json:"open"`
}

// openShare is the share below which a part is never felt (a convention).
const openShare = 0.05

// names numbers combinations of factors.
type names struct {
	factors []string
	at      map[string]int
	values  []map[string]string
}

func newNames(factors []string) *names { return &names{factors: factors, at: map[string]int{}} }

func (n *names) index(values map[string]string) int {
	key := factorKey(values, n.factors)
	i, ok := n.at[key]
	if !ok {
		i = len(n.values)
		n.at[key] = i
		v := map[string]string{}
		for _, f := range n.factors {
			v[f] = values[f]
		}
		n.values = append(n.values, v)
	}
	return i
}

// cardOnly are the factors that change the card's ceiling and not the processor's.
var cardOnly = []string{record.TagGraphics, record.TagResolution}

// fitModels fits one model per game to the named metric. Games of up to leaveOut cells
// have each cell left out and the model fitted again.
func fitModels(cells []Cell, metric string, factors []string, leaveOut int) []*Model {
	byGame := map[string]*Model{}
	var out []*Model
	for i, c := range cells {
		f := c.Figure(metric)
		if f.N == 0 || c.capped() || c.Factors[record.TagProcessor] == "" || c.Factors[record.TagGraphics] == "" {
			continue
		}
		game := c.Factors[record.TagGame]
		m := byGame[game]
		if m == nil {
			m = &Model{Game: game, Metric: metric, at: map[int]int{}, c: newNames(without(factors, cardOnly...)), g: newNames(without(factors, record.TagProcessor))}
			byGame[game] = m
			out = append(out, m)
		}
		m.at[i] = len(m.points)
		m.cells = append(m.cells, i)
		m.points = append(m.points, stats.SoftMinPoint{C: m.c.index(c.Factors), G: m.g.index(c.Factors), Y: math.Exp(f.logMean), Weight: 1})
	}
	slices.SortFunc(out, func(a, b *Model) int { return naturally(a.Game, b.Game) })
	for _, m := range out {
		m.solve(leaveOut)
	}
	return out
}

// capped reports whether a frame cap was found in a pass that counts: a cap looks like a
// card's limit and must not be fitted.
func (c Cell) capped() bool {
	for _, p := range c.used {
		for _, f := range p.Findings {
			if f.Check == "framecap" && f.Numbers["cap_fps"] > 0 {
				return true
			}
		}
	}
	return false
}

func (m *Model) solve(leaveOut int) {
	m.Cells = len(m.points)
	m.Q, m.Sigma, m.DF, m.Worst, m.LeftOutError = Undefined, Undefined, 0, Undefined, Undefined
	fit, err := stats.FitSoftMin(m.points, len(m.c.values), len(m.g.values))
	if err != nil {
		m.Warnings = append(m.Warnings, "no model: "+err.Error())
		return
	}
	m.fit = fit
	m.Q, m.Sigma, m.DF = Number(fit.Q), Number(fit.Sigma), Number(fit.DF)
	m.Worst = 0
	for i, p := range m.points {
		if r := math.Log(p.Y) - fit.Fitted[i]; math.Abs(r) > math.Abs(float64(m.Worst)) {
			m.Worst = Number(r)
		}
	}
	if !(fit.DF >= 1) {
		m.Warnings = append(m.Warnings, "the model has as many ceilings as there are cells: it fits whatever they say")
	}
	for i, v := range m.c.values {
		m.Processors = append(m.Processors, Ceiling{v, Number(fit.C[i]), fit.CShare[i] < openShare})
	}
	for i, v := range m.g.values {
		m.Cards = append(m.Cards, Ceiling{v, Number(fit.G[i]), fit.GShare[i] < openShare})
	}
	m.leaveOneOut(leaveOut)
}

// solved reports whether the model says more than the cells themselves.
func (m *Model) solved() bool { return m != nil && m.fit.DF >= 1 && m.fit.Sigma >= 0 }

// refitLimit is the number of cells up to which leaving one out means fitting again; above
// it the error is r / (1 - leverage), which is the same to first order (PRESS, Allen 1974).
const refitLimit = 40

// determined is the leverage below which the other cells determine a cell (a convention).
const determined = 0.9

func (m *Model) leaveOneOut(limit int) {
	var sum float64
	for i, p := range m.points {
		h := m.fit.Leverage[i]
		if h >= determined || m.fit.DF < 2 {
			continue
		}
		r := (math.Log(p.Y) - m.fit.Fitted[i]) / (1 - h)
		if len(m.points) <= limit {
			rest := slices.Delete(slices.Clone(m.points), i, i+1)
			fit, err := stats.FitSoftMin(rest, len(m.c.values), len(m.g.values))
			if err != nil {
				continue
			}
			y, _, _ := fit.Predict(p.C, p.G)
			r = math.Log(p.Y / y)
		}
		sum += r * r
		m.Predicted++
	}
	if m.Predicted > 0 {
		m.LeftOutError = Number(math.Sqrt(sum / float64(m.Predicted)))
	}
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
