package analysis

// Regime says what limits a cell: it decides with which other cells its spread is pooled.
type Regime string

// The regimes. Where the matrix does not tell, it is empty.
const (
	ByProcessor Regime = "processor"
	ByGraphics  Regime = "graphics"
	ByBoth      Regime = "both"
)

// regimes sets the regime of each cell where the matrix tells.
func regimes(cells []Cell) {}
