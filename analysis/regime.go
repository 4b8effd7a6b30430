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
	processorShare = 0.8
	graphicsShare  = 0.2
)

func regimeOf(share float64) Regime {
	switch {
	case share >= processorShare:
		return ByProcessor
	case share <= graphicsShare:
		return ByGraphics
	}
	return ByBoth
}

// regimes sets the regime of each cell where the shape of the matrix tells: from the rates
// alone, since the spreads are not known yet.
func regimes(cells []Cell, factors []string) {
	for _, m := range fitModels(cells, Average, factors, 0) {
		if !m.solved() {
			continue
		}
		for i, at := range m.cells {
			low, high := m.shareInterval(i)
			if r := regimeOf(m.fit.Share[i]); oneSided(r, low, high) {
				cells[at].Regime = r
			}
		}
	}
}

func (m *Model) shareInterval(point int) (low, high float64) {
	return m.fit.ShareInterval(m.points, point, m.fit.Sigma, stats.TQuantile(0.975, m.fit.DF))
}

// oneSided reports whether an interval of the share leaves the other part out.
func oneSided(r Regime, low, high float64) bool {
	switch r {
	case ByProcessor:
		return low >= 0.5
	case ByGraphics:
		return high <= 0.5
	}
	return low > openShare && high < 1-openShare && !math.IsNaN(low)
}
