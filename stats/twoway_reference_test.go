package stats

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// TwoWay is an additive decomposition of a table: value = overall + row + column +
// residual.
type TwoWay struct {
	Overall  float64
	Row, Col []float64
	Residual [][]float64 // NaN where the table has no value
}

// MedianPolish sweeps medians out of rows, then columns, until nothing changes (Tukey,
// Exploratory Data Analysis, 1977): at most 200 sweeps, relative change 1e-12. NaN marks
// a missing cell. The result depends on starting with the rows.
func MedianPolish(table [][]float64) (TwoWay, error) {
	t, err := newTwoWay(table)
	if err != nil {
		return t, err
	}
	old := 0.0
	for sweep := 0; sweep < 200; sweep++ {
		for i, row := range t.Residual {
			if m, ok := medianKnown(row); ok {
				t.Row[i] += m
				for j := range row {
					row[j] -= m
				}
			}
		}
		shift(&t.Overall, t.Col)
		for j := range t.Col {
			if m, ok := medianKnown(column(t.Residual, j)); ok {
				t.Col[j] += m
				for i := range t.Residual {
					t.Residual[i][j] -= m
				}
			}
		}
		shift(&t.Overall, t.Row)
		sum := sumAbs(t.Residual)
		if sum == 0 || math.Abs(sum-old) < 1e-12*sum {
			break
		}
		old = sum
	}
	return t, nil
}

func newTwoWay(table [][]float64) (TwoWay, error) {
	if len(table) == 0 || len(table[0]) == 0 {
		return TwoWay{}, ErrNoValues
	}
	t := TwoWay{Row: make([]float64, len(table)), Col: make([]float64, len(table[0]))}
	for _, row := range table {
		if len(row) != len(t.Col) {
			return TwoWay{}, errors.New("rows of the table differ in length")
		}
		t.Residual = append(t.Residual, append([]float64(nil), row...))
	}
	return t, nil
}

func shift(overall *float64, effects []float64) {
	m, ok := medianKnown(effects)
	if !ok {
		return
	}
	*overall += m
	for i := range effects {
		effects[i] -= m
	}
}

func medianKnown(x []float64) (float64, bool) {
	var known []float64
	for _, v := range x {
		if !math.IsNaN(v) {
			known = append(known, v)
		}
	}
	if len(known) == 0 {
		return 0, false
	}
	return medianSorted(sorted(known)), true
}

func column(t [][]float64, j int) []float64 {
	c := make([]float64, len(t))
	for i := range t {
		c[i] = t[i][j]
	}
	return c
}

func sumAbs(t [][]float64) (s float64) {
	for _, row := range t {
		for _, v := range row {
			if !math.IsNaN(v) {
				s += math.Abs(v)
			}
		}
	}
	return s
}

// Additive is a least-squares decomposition with Tukey's test for non-additivity
// (Tukey 1949); F and P are NaN where the test is undefined.
type Additive struct {
	TwoWay
	SSE, DF          float64
	TukeySS, TukeyF  float64
	TukeyDF2, TukeyP float64
}

// FitAdditive decomposes a complete table by row and column means.
func FitAdditive(table [][]float64) (Additive, error) {
	t, err := newTwoWay(table)
	if err != nil {
		return Additive{}, err
	}
	var all []float64
	for _, row := range table {
		if err := finite(row); err != nil {
			return Additive{}, err
		}
		all = append(all, row...)
	}
	a := Additive{TwoWay: t, TukeySS: math.NaN(), TukeyF: math.NaN(), TukeyP: math.NaN()}
	a.Overall = mean(all)
	for i, row := range table {
		a.Row[i] = mean(row) - a.Overall
	}
	for j := range a.Col {
		a.Col[j] = mean(column(table, j)) - a.Overall
	}
	var num, ra, cb float64
	for i, row := range table {
		for j, y := range row {
			r := y - a.Overall - a.Row[i] - a.Col[j]
			a.Residual[i][j] = r
			a.SSE += r * r
			num += a.Row[i] * a.Col[j] * y
		}
		ra += a.Row[i] * a.Row[i]
	}
	for _, b := range a.Col {
		cb += b * b
	}
	a.DF = float64((len(a.Row) - 1) * (len(a.Col) - 1))
	a.TukeyDF2 = a.DF - 1
	if a.TukeyDF2 >= 1 && ra*cb > 0 {
		a.TukeySS = num * num / (ra * cb)
		if rest := a.SSE - a.TukeySS; rest > 1e-12*a.SSE {
			a.TukeyF = a.TukeySS / (rest / a.TukeyDF2)
			a.TukeyP = distuv.F{D1: 1, D2: a.TukeyDF2}.Survival(a.TukeyF)
		}
	}
	return a, nil
}

// Isotonic returns the non-decreasing least-squares fit of y with weights w (nil: equal)
// by pool-adjacent-violators (Barlow, Bartholomew, Bremner and Brunk 1972).
func Isotonic(y, w []float64) ([]float64, error) {
	w, err := weightsFor(len(y), w)
	if err != nil {
		return nil, err
	}
	type block struct {
		mean, weight float64
		n            int
	}
	var b []block
	for i, v := range y {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, ErrNonFinite
		}
		b = append(b, block{v, w[i], 1})
		for k := len(b); k > 1 && b[k-2].mean > b[k-1].mean; k = len(b) {
			p, q := b[k-2], b[k-1]
			s := p.weight + q.weight
			b = append(b[:k-2], block{(p.mean*p.weight + q.mean*q.weight) / s, s, p.n + q.n})
		}
	}
	fit := make([]float64, 0, len(y))
	for _, k := range b {
		for i := 0; i < k.n; i++ {
			fit = append(fit, k.mean)
		}
	}
	return fit, nil
}
