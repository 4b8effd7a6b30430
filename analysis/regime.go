package analysis

import (
	"math"

	"capd.example/stats"
)

// Regime says what limits a cell: it decides with which other cells its spread is pooled.
type Regime string

// The regimes. Where the matrix does not tell, it is empty.
const (
	ByProcessor Regime = "processor"
	ByGraphics  Regime = "graphics"
	ByBoth      Regime = "both"
)

// Shares of the processor from which a cell is said to be bound by one part (conventions).
const (
	ProcessorShare = 0.8
	GraphicsShare  = 0.2
)

// StepRatio is how far apart two ceilings must be for a step to tell anything (a
// convention): a part that is no better cannot show a gain.
const StepRatio = 1.04

// RegimeOf names the part that limits a cell from the processor's share in it.
func RegimeOf(share float64) Regime {
	switch {
	case share >= ProcessorShare:
		return ByProcessor
	case share <= GraphicsShare:
		return ByGraphics
	}
	return ByBoth
}

// regimes sets the regime of each cell where the shape of the matrix tells: from the rates
// alone, since the spreads are not known yet.
func regimes(cells []Cell, factors []string) {
	for _, m := range FitModels(cells, Average, factors, 0) {
		if !m.Solved() {
			continue
		}
		for i, at := range m.Of {
			low, high := m.ShareInterval(i)
			if r := RegimeOf(m.Fit.Share[i]); OneSided(r, low, high) {
				cells[at].Regime = r
			}
		}
	}
}

// ShareInterval holds the processor's share in a point with 95 % confidence.
func (m *Model) ShareInterval(point int) (low, high float64) {
	return m.Fit.ShareInterval(m.Points, point, m.Fit.Sigma, stats.TQuantile(0.975, m.Fit.DF))
}

// OneSided reports whether an interval of the share leaves the other part out.
func OneSided(r Regime, low, high float64) bool {
	switch r {
	case ByProcessor:
		return low >= 0.5
	case ByGraphics:
		return high <= 0.5
	}
	return low > OpenShare && high < 1-OpenShare && !math.IsNaN(low)
}
