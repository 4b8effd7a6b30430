package limit

import (
	"fmt"
	"math"

	"capd.example/analysis"
	"capd.example/record"
	"capd.example/stats"
)

// Prediction is what the model makes of a cell that was not measured. It is no
// measurement and must be marked wherever it appears.
type Prediction struct {
	Factors   map[string]string `json:"factors"`
	Predicted bool              `json:"predicted"` // always true
	FPS       analysis.Number   `json:"avg_fps"`
	CILow     analysis.Number   `json:"ci_low"` // for the mean of a cell that would be measured
	CIHigh    analysis.Number   `json:"ci_high"`
	Share     analysis.Number   `json:"share"`
	Limit     analysis.Regime   `json:"limit"`
	// Like is a measured cell with another processor that this one would be within the
	// practical threshold of, so that the bench time can go elsewhere; "" for none.
	Like   string `json:"like,omitempty"`
	Reason string `json:"reason"`
	name   string
}

// Name names the cell.
func (p Prediction) Name() string { return p.name }

// Predict returns the unmeasured cells whose two ceilings other cells determine.
func Predict(cells []analysis.Cell, o analysis.Options) ([]Prediction, []*analysis.Model) {
	o = o.WithDefaults()
	out := []Prediction{}
	models := analysis.FitModels(cells, analysis.Average, o.Factors, analysis.RefitLimit)
	for _, of := range models {
		m := model{of}
		if !m.Solved() {
			continue
		}
		have := map[[2]int]bool{}
		for _, p := range m.Points {
			have[[2]int{p.C, p.G}] = true
		}
		for c := range m.C.Values {
			for g := range m.G.Values {
				if !have[[2]int{c, g}] && m.match(c, g) {
					out = append(out, m.predict(cells, c, g, o))
				}
			}
		}
	}
	return out, models
}

// match reports whether a processor's and a card's ceiling are of the same scene and so on.
func (m model) match(c, g int) bool {
	for _, f := range m.C.Factors {
		if f != record.TagProcessor && m.C.Values[c][f] != m.G.Values[g][f] {
			return false
		}
	}
	return true
}

func (m model) predict(cells []analysis.Cell, c, g int, o analysis.Options) Prediction {
	y, spread, share := m.Fit.Predict(c, g)
	values := map[string]string{record.TagProcessor: m.C.Values[c][record.TagProcessor]}
	for f, v := range m.G.Values[g] {
		values[f] = v
	}
	p := Prediction{Factors: values, Predicted: true, FPS: analysis.Number(y), Share: analysis.Number(share), Limit: analysis.RegimeOf(share), CILow: analysis.Undefined, CIHigh: analysis.Undefined,
		name: analysis.NameOf(values, o.Factors)}
	half := stats.TQuantile(1-(1-o.Confidence)/2, m.Fit.DF) * m.Fit.Sigma * math.Sqrt(1+spread*spread)
	// Beyond a factor of two the linear error says no more than that the cell is open.
	if half > math.Ln2 {
		p.Limit = Unknown
		p.Reason = "no measured cell says enough of one of its parts"
		return p
	}
	p.CILow, p.CIHigh = analysis.Number(y*math.Exp(-half)), analysis.Number(y*math.Exp(half))
	p.Reason = fmt.Sprintf("model of %s with a residual sd of %.2f %%", record.Count(m.Cells, "cell"), 100*m.Fit.Sigma)
	if share > analysis.GraphicsShare {
		return p
	}
	for i, q := range m.Points {
		d := math.Abs(math.Log(q.Y / y))
		if q.G == g && m.Fit.Share[i] <= analysis.GraphicsShare && d+half < math.Log1p(o.Tie) {
			p.Like = cells[m.Of[i]].Name()
			p.Reason += "; bound by the card, so that it need not be measured"
			break
		}
	}
	return p
}
