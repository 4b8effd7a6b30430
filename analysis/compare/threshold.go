package compare

import "capd.example/analysis"

// Holds says whether a cell holds a rate.
type Holds string

// The answers: the whole interval lies at or above the rate, below it, or on both sides.
const (
	HoldsYes     Holds = "yes"
	HoldsNo      Holds = "no"
	HoldsUnclear Holds = "unclear"
)

// Threshold says whether one cell holds one refresh rate.
type Threshold struct {
	Factors   map[string]string `json:"factors"`
	RefreshHz float64           `json:"refresh_hz"`
	Average   Holds             `json:"average"`
	Low1      Holds             `json:"low1"`
	FPS       analysis.Number   `json:"avg_fps"`
	Low1FPS   analysis.Number   `json:"low1_fps"`
	name      string
}

// Name names the cell.
func (t Threshold) Name() string { return t.name }

// Thresholds says for each refresh rate which cells hold it on average and at the 1% low.
func Thresholds(cells []analysis.Cell, refreshHz []float64) []Threshold {
	out := []Threshold{}
	for _, hz := range refreshHz {
		for _, c := range cells {
			avg, low := c.Figure(analysis.Average), c.Figure(analysis.Low1)
			out = append(out, Threshold{Factors: c.Factors, RefreshHz: hz, Average: holds(avg, hz), Low1: holds(low, hz),
				FPS: analysis.Number(avg.Value()), Low1FPS: analysis.Number(low.Value()), name: c.Name()})
		}
	}
	return out
}

func holds(f analysis.Figure, hz float64) Holds {
	switch {
	case f.CILow.Known() && float64(f.CILow) >= hz:
		return HoldsYes
	case f.CIHigh.Known() && float64(f.CIHigh) < hz:
		return HoldsNo
	}
	return HoldsUnclear
}
