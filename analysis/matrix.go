package analysis

import (
	"math"
	"slices"

	"capd.example/analysis/variance"
	"capd.example/record"
	"capd.example/stats"
)

// Contrast is the geometric mean of ratios of two levels of a factor over rows, each game with
// the same weight.
type Contrast struct {
	Metric, By, A, B string
	Rows             []map[string]string
	Log              float64
	Precision        variance.Precision
}

// Known reports whether anything can be said of it.
func (c Contrast) Known() bool { return c.Precision.SE > 0 && c.Precision.DF > 0 }

// Interval is that of the ratio, less 1, at a level of error.
func (c Contrast) Interval(level float64) (low, high Number) {
	return c.around(stats.TQuantile(1-level/2, c.Precision.DF) * c.Precision.SE)
}

// Careful is the interval at a level of error far below 5 %.
func (c Contrast) Careful(level float64) (low, high Number) {
	se, df := c.Precision.Careful()
	return c.around(stats.TQuantile(1-level/2, df) * se)
}

func (c Contrast) around(half float64) (low, high Number) {
	return Number(math.Expm1(c.Log - half)), Number(math.Expm1(c.Log + half))
}

// Ratio is the point estimate, less 1.
func (c Contrast) Ratio() Number { return Number(math.Expm1(c.Log)) }

// Matrix finds cells by their factors.
type Matrix struct {
	Cells   []Cell
	factors []string
	at      map[string]int
}

// NewMatrix takes the cells that have an average.
func NewMatrix(cells []Cell, factors []string) *Matrix {
	m := &Matrix{factors: factors, at: map[string]int{}}
	for _, c := range cells {
		if c.Figure(Average).N > 0 {
			m.at[FactorKey(c.Factors, factors)] = len(m.Cells)
			m.Cells = append(m.Cells, c)
		}
	}
	return m
}

// Levels are the values of a factor in the order of the cells.
func (m *Matrix) Levels(factor string) (out []string) {
	for _, c := range m.Cells {
		if v := c.Factors[factor]; v != "" && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}

// With returns the cell that has a level of a factor and else the values of a row.
func (m *Matrix) With(row map[string]string, factor, level string) (Cell, bool) {
	values := make(map[string]string, len(row)+1)
	for k, v := range row {
		values[k] = v
	}
	values[factor] = level
	i, ok := m.at[FactorKey(values, m.factors)]
	if !ok {
		return Cell{}, false
	}
	return m.Cells[i], true
}

// Common returns the rows, cells without a factor, that hold for fixed values and that the most
// levels share, with these levels: a level that has less than half of the rows is left out.
func (m *Matrix) Common(by string, fixed map[string]string) (rows []map[string]string, levels []string) {
	rest := Without(m.factors, by)
	count, has := map[string]int{}, map[string]map[string]bool{}
	var keys []string
	values := map[string]map[string]string{}
	for _, c := range m.Cells {
		meant := c.Factors[by] != ""
		for f, v := range fixed {
			meant = meant && c.Factors[f] == v
		}
		if !meant {
			continue
		}
		level, key := c.Factors[by], FactorKey(c.Factors, rest)
		if values[key] == nil {
			values[key] = map[string]string{}
			for _, f := range rest {
				values[key][f] = c.Factors[f]
			}
			keys = append(keys, key)
		}
		if has[level] == nil {
			has[level] = map[string]bool{}
		}
		if !has[level][key] {
			has[level][key] = true
			count[level]++
		}
	}
	most := 0
	for _, n := range count {
		most = max(most, n)
	}
	for _, level := range m.Levels(by) {
		if 2*count[level] >= most && count[level] > 0 {
			levels = append(levels, level)
		}
	}
	for _, key := range keys {
		if !slices.ContainsFunc(levels, func(l string) bool { return !has[l][key] }) {
			rows = append(rows, values[key])
		}
	}
	return rows, levels
}

// Contrast compares two levels over rows that both have.
func (m *Matrix) Contrast(metric, by, a, b string, rows []map[string]string) Contrast {
	c := Contrast{Metric: metric, By: by, A: a, B: b, Rows: rows, Precision: variance.Precision{SE: math.NaN()}}
	perGame := map[string]int{}
	for _, row := range rows {
		perGame[row[record.TagGame]]++
	}
	var terms []variance.Term
	for _, row := range rows {
		x, _ := m.With(row, by, a)
		y, _ := m.With(row, by, b)
		fx, fy := x.Figure(metric), y.Figure(metric)
		if fx.N == 0 || fy.N == 0 || fx.Basis() == nil || fy.Basis() == nil {
			return c
		}
		w := 1 / float64(len(perGame)*perGame[row[record.TagGame]])
		c.Log += w * (fx.Log() - fy.Log())
		terms = append(terms, variance.Term{Of: fx.Basis(), Weight: w}, variance.Term{Of: fy.Basis(), Weight: -w})
	}
	if len(terms) > 0 {
		c.Precision = variance.Of(terms...)
	}
	return c
}

// Ranked orders levels by the mean over rows, the best first; levels without a figure are left
// out.
func (m *Matrix) Ranked(metric, by string, levels []string, rows []map[string]string) []string {
	if len(levels) == 0 {
		return nil
	}
	log := map[string]float64{}
	var out []string
	for _, l := range levels {
		if c := m.Contrast(metric, by, l, levels[0], rows); !math.IsNaN(c.Log) && (c.Known() || l == levels[0]) {
			log[l] = c.Log
			out = append(out, l)
		}
	}
	slices.SortStableFunc(out, func(a, b string) int {
		switch {
		case log[a] > log[b]:
			return -1
		case log[a] < log[b]:
			return 1
		}
		return 0
	})
	return out
}
