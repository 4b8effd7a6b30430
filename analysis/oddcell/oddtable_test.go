package oddcell

import (
	"math"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/outlier"
)

// A cell of another part of which nothing tells what to expect is named without a figure.
func TestNoFigureWhereNothingIsExpected(t *testing.T) {
	x := &oddTable{cells: []analysis.Cell{{Factors: map[string]string{"cpu": "Corvane C6", "gpu": "Lumen 40"}}}, at: []int{0},
		cpu: []string{"Corvane C6"}, card: []string{"Lumen 40", "Lumen 60"}}
	odd := x.moved(outlier.Report{Moves: []outlier.Moved{{Move: outlier.Move{Instead: 1}, Cells: []int{0}, Log: []float64{math.NaN()}}}})
	if len(odd) != 1 || !math.IsNaN(float64(odd[0].Expected)) || !math.IsNaN(float64(odd[0].Deviation)) {
		t.Fatalf("%+v", odd)
	}
	if r := odd[0].Reason; strings.Contains(r, "NaN") || !strings.Contains(r, "Lumen 60 in place of Lumen 40") {
		t.Error(r)
	}
}
