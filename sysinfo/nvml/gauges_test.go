package nvml

import (
	"math"
	"testing"
	"time"
)

// A driver that was loaded anew may find fewer cards than before, for one of which another
// reader had it loaded.
func TestFewerCards(t *testing.T) {
	lib := &Library{devices: []uint64{0}, mask: []uint64{0}}
	s := NewGauges(lib, 1)
	row := make([]float64, 16)
	for i := range row {
		row[i] = math.NaN()
	}
	s.Read(row, time.Now())
	for i, v := range row {
		if !math.IsNaN(v) {
			t.Errorf("reading %d is %v", i, v)
		}
	}
	if s.lost.IsZero() {
		t.Error("the card is not looked for again")
	}
}
