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

	Fit    stats.SoftMinFit     `json:"-"`
	Points []stats.SoftMinPoint `json:"-"`
	Of     []int                `json:"-"` // index of the cell of each point
	At     map[int]int          `json:"-"` // and of the point of each cell
	C      *Names               `json:"-"` // of the processors' ceilings
	G      *Names               `json:"-"` // of the cards'
}

// Ceiling is the highest rate that a part allows. Where Open, no measured cell is limited
// by it, so that it is a lower bound.
type Ceiling struct {
	Factors map[string]string `json:"factors"`
	FPS     Number            `json:"fps"`
	Open    bool              `json:"open"`
}

// openShare is the share below which a part is never felt (a convention).
const OpenShare = 0.05

// Names numbers combinations of factors.
type Names struct {
	Factors []string
	Values  []map[string]string // of each ceiling
	at      map[string]int
}

func newNames(factors []string) *Names { return &Names{Factors: factors, at: map[string]int{}} }

func (n *Names) index(values map[string]string) int {
	key := FactorKey(values, n.Factors)
	i, ok := n.at[key]
	if !ok {
		i = len(n.Values)
		n.at[key] = i
		v := map[string]string{}
		for _, f := range n.Factors {
			v[f] = values[f]
		}
		n.Values = append(n.Values, v)
	}
	return i
}

// cardOnly are the factors that change the card's ceiling and not the processor's.
var CardOnly = []string{record.TagGraphics, record.TagResolution}

// FitModels fits one model per game to the named metric. Games of up to leaveOut cells
// have each cell left out and the model fitted again.
func FitModels(cells []Cell, metric string, factors []string, leaveOut int) []*Model {
	byGame := map[string]*Model{}
	var out []*Model
	for i, c := range cells {
		f := c.Figure(metric)
		if f.N == 0 || c.Capped() || c.Factors[record.TagProcessor] == "" || c.Factors[record.TagGraphics] == "" {
			continue
		}
		game := c.Factors[record.TagGame]
		m := byGame[game]
		if m == nil {
			m = &Model{Game: game, Metric: metric, At: map[int]int{}, C: newNames(Without(factors, CardOnly...)), G: newNames(Without(factors, record.TagProcessor))}
			byGame[game] = m
			out = append(out, m)
		}
		m.At[i] = len(m.Points)
		m.Of = append(m.Of, i)
		m.Points = append(m.Points, stats.SoftMinPoint{C: m.C.index(c.Factors), G: m.G.index(c.Factors), Y: math.Exp(f.logMean), Weight: 1})
	}
	slices.SortFunc(out, func(a, b *Model) int { return Naturally(a.Game, b.Game) })
	for _, m := range out {
		m.solve(leaveOut)
	}
	return out
}

// frameCap is the check that finds frame caps.
const frameCap = "framecap"

// Checks are those whose findings conclusions read, beside the findings that say why a pass
// is bad.
func Checks() []string { return []string{frameCap} }

// Capped reports whether a frame cap was found in a pass that counts: a cap looks like a
// card's limit and must not be fitted.
func (c Cell) Capped() bool {
	for _, p := range c.used {
		for _, f := range p.Findings {
			if f.Check == frameCap && f.Numbers["cap_fps"] > 0 {
				return true
			}
		}
	}
	return false
}

func (m *Model) solve(leaveOut int) {
	m.Cells = len(m.Points)
	m.Q, m.Sigma, m.DF, m.Worst, m.LeftOutError = Undefined, Undefined, 0, Undefined, Undefined
	fit, err := stats.FitSoftMin(m.Points, len(m.C.Values), len(m.G.Values))
	if err != nil {
		m.Warnings = append(m.Warnings, "no model: "+err.Error())
		return
	}
	m.Fit = fit
	m.Q, m.Sigma, m.DF = Number(fit.Q), Number(fit.Sigma), Number(fit.DF)
	m.Worst = 0
	for i, p := range m.Points {
		if r := math.Log(p.Y) - fit.Fitted[i]; math.Abs(r) > math.Abs(float64(m.Worst)) {
			m.Worst = Number(r)
		}
	}
	if !(fit.DF >= 1) {
		m.Warnings = append(m.Warnings, "the model has as many ceilings as there are cells: it fits whatever they say")
	}
	for i, v := range m.C.Values {
		m.Processors = append(m.Processors, Ceiling{v, Number(fit.C[i]), fit.CShare[i] < OpenShare})
	}
	for i, v := range m.G.Values {
		m.Cards = append(m.Cards, Ceiling{v, Number(fit.G[i]), fit.GShare[i] < OpenShare})
	}
	m.leaveOneOut(leaveOut)
}

// solved reports whether the model says more than the cells themselves.
func (m *Model) Solved() bool { return m != nil && m.Fit.DF >= 1 && m.Fit.Sigma >= 0 }

// refitLimit is the number of cells up to which leaving one out means fitting again; above
// it the error is r / (1 - leverage), which is the same to first order (PRESS, Allen 1974).
const RefitLimit = 40

// determined is the leverage below which the other cells determine a cell (a convention).
const determined = 0.9

func (m *Model) leaveOneOut(limit int) {
	var sum float64
	for i, p := range m.Points {
		h := m.Fit.Leverage[i]
		if h >= determined || m.Fit.DF < 2 {
			continue
		}
		r := (math.Log(p.Y) - m.Fit.Fitted[i]) / (1 - h)
		if len(m.Points) <= limit {
			rest := slices.Delete(slices.Clone(m.Points), i, i+1)
			fit, err := stats.FitSoftMin(rest, len(m.C.Values), len(m.G.Values))
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

// Without returns the list without what is to be dropped.
func Without(list []string, drop ...string) []string {
	var out []string
	for _, v := range list {
		if !slices.Contains(drop, v) {
			out = append(out, v)
		}
	}
	return out
}

// FactorKey returns what tells combinations of the factors apart.
func FactorKey(values map[string]string, factors []string) string {
	var b strings.Builder
	for _, f := range factors {
		b.WriteString(values[f])
		b.WriteByte(0)
	}
	return b.String()
}
