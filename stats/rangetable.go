package stats

import (
	"math"
	"sync"
)

// The table of [rangeCDF]: Chebyshev series on panels. The function is analytic and changes
// on a scale of 1, so that twelve terms on a width of a half leave no more than the integral's
// own error, 1e-14 of few results and 1e-10 of twenty; above the last panel it is 1 to every digit.
const (
	panelWidth = 0.5
	panelTerms = 12
	panels     = 36
	// tabled is the most results that there is a table for: of more, the integral itself is not
	// good enough to be smooth.
	tabled = 20
)

// table is the distribution of the range of k normal results.
type table struct {
	k     int
	once  [panels]sync.Once
	terms [panels][panelTerms]float64
}

var tables struct {
	sync.Mutex
	of map[int]*table
}

// rangeTable returns the table for k results; its panels are worked out as they are used.
func rangeTable(k int) *table {
	tables.Lock()
	defer tables.Unlock()
	t := tables.of[k]
	if t == nil {
		if tables.of == nil {
			tables.of = map[int]*table{}
		}
		t = &table{k: k}
		tables.of[k] = t
	}
	return t
}

// at returns rangeCDF(w, k).
func (t *table) at(w float64) float64 {
	switch {
	case !(w > 0):
		return 0
	case t.k > tabled:
		return rangeCDF(w, t.k)
	}
	i := int(math.Min(w/panelWidth, panels))
	if i == panels {
		return 1
	}
	t.once[i].Do(func() { t.work(i) })
	x := 2*(w/panelWidth-float64(i)) - 1 // in the panel, from -1 to 1
	var b1, b2 float64                   // Clenshaw's recurrence
	for n := panelTerms - 1; n > 0; n-- {
		b1, b2 = 2*x*b1-b2+t.terms[i][n], b1
	}
	return math.Min(1, math.Max(0, x*b1-b2+t.terms[i][0]))
}

// work finds the terms of a panel from the values at the zeros of the next polynomial.
func (t *table) work(i int) {
	var values [panelTerms]float64
	for j := range values {
		x := math.Cos(math.Pi * (float64(j) + 0.5) / panelTerms)
		values[j] = rangeCDF((float64(i)+(x+1)/2)*panelWidth, t.k)
	}
	for n := range t.terms[i] {
		sum := 0.0
		for j, v := range values {
			sum += v * math.Cos(math.Pi*float64(n)*(float64(j)+0.5)/panelTerms)
		}
		t.terms[i][n] = 2 * sum / panelTerms
	}
	t.terms[i][0] /= 2
}
