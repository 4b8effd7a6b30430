package analysis

import (
	"fmt"
	"math"

	"capd.example/record"
	"capd.example/stats"
)

// Prediction is what the model makes of a cell that was not measured. It is no
// measurement and must be marked wherever it appears.
type Prediction struct {
	Factors   map[string]string `json:"factors"`
	Predicted bool              `json:"predicted"` // always true
	FPS       Number            `json:"avg_fps"`
	CILow     Number            `json:"ci_low"` // for the mean of a cell that would be measured
	CIHigh    Number            `json:"ci_high"`
	Share     Number            `json:"share"`
	Limit     Regime            `json:"limit"`
	// Like is a measured cell with another processor that this one would be within the
	// practical threshold of, so that the bench time can go elsewhere; "" for none.
	Like   string `json:"like,omitempty"`
	Reason string `json:"reason"`
	name   string
}

// Name names the cell.
func (p Prediction) Name() string { return p.name }

// Predict returns the unmeasured cells whose two ceilings other cells determine.
func Predict(cells []Cell, o Options) ([]Prediction, []*Model) {
	o = o.withDefaults()
	out := []Prediction{}
	models := fitModels(cells, Average, o.Factors, refitLimit)
	for _, m := range models {
		if !m.solved() {
			continue
		}
		have := map[[2]int]bool{}
		for _, p := range m.points {
			have[[2]int{p.C, p.G}] = true
		}
		for c := range m.c.values {
			for g := range m.g.values {
				if !have[[2]int{c, g}] && m.match(c, g) {
					out = append(out, m.predict(cells, c, g, o))
				}
			}
		}
	}
	return out, models
}

// match reports whether a processor's and a card's ceiling are of the same scene and so on.
func (m *Model) match(c, g int) bool {
	for _, f := range m.c.factors {
		if f != record.TagProcessor && m.c.values[c][f] != m.g.values[g][f] {
			return false
		}
	}
	return true
}

func (m *Model) predict(cells []Cell, c, g int, o Options) Prediction {
	y, spread, share := m.fit.Predict(c, g)
	values := map[string]string{record.TagProcessor: m.c.values[c][record.TagProcessor]}
	for f, v := range m.g.values[g] {
		values[f] = v
	}
	p := Prediction{Factors: values, Predicted: true, FPS: Number(y), Share: Number(share), Limit: regimeOf(share), CILow: Undefined, CIHigh: Undefined,
		name: Cell{Factors: values, order: o.Factors}.Name()}
	half := stats.TQuantile(1-(1-o.Confidence)/2, m.fit.DF) * m.fit.Sigma * math.Sqrt(1+spread*spread)
	// Beyond a factor of two the linear error says no more than that the cell is open.
	if half > math.Ln2 {
		p.Limit = Unknown
		p.Reason = "no measured cell says enough of one of its parts"
		return p
	}
	p.CILow, p.CIHigh = Number(y*math.Exp(-half)), Number(y*math.Exp(half))
	p.Reason = fmt.Sprintf("model of %s with a residual sd of %.2f %%", record.Count(m.Cells, "cell"), 100*m.fit.Sigma)
	if share > graphicsShare {
		return p
	}
	for i, q := range m.points {
		d := math.Abs(math.Log(q.Y / y))
		if q.G == g && m.fit.Share[i] <= graphicsShare && d+half < math.Log1p(o.Tie) {
			p.Like = cells[m.cells[i]].Name()
			p.Reason += "; bound by the card, so that it need not be measured"
			break
		}
	}
	return p
}
