package summary

import (
	"math"
	"slices"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/record"
	"capd.example/stats"
)

// Kind is what a claim is about.
type Kind string

// The kinds.
const (
	Ratio Kind = "ratio" // the rate of A over that of B, less 1, lies between Low and High
	Rate  Kind = "rate"  // the rate of the cell is at least Low
	Wrong Kind = "odd"   // the cell does not fit in with the others
	Bound Kind = "limit" // the part that A names limits the cell more than the other
)

// Claim is what a sentence asserts, in numbers.
type Claim struct {
	Kind   Kind                `json:"kind"`
	Metric string              `json:"metric,omitempty"`
	By     string              `json:"by,omitempty"` // factor of A and B
	A      string              `json:"a,omitempty"`
	B      string              `json:"b,omitempty"`
	Rows   []map[string]string `json:"-"` // the cells whose geometric mean is compared, without By
	Cell   map[string]string   `json:"cell,omitempty"`
	Low    analysis.Number     `json:"low"`
	High   analysis.Number     `json:"high"`

	covers variance.Covers
}

// contrast is the geometric mean of ratios of two levels of a factor over rows, each game with
// the same weight.
type contrast struct {
	metric, by, a, b string
	rows             []map[string]string
	log              float64
	precision        variance.Precision
}

// known reports whether anything can be said of it.
func (c contrast) known() bool { return c.precision.SE > 0 && c.precision.DF > 0 }

// claim is the interval of the contrast at a level of error.
func (c contrast) claim(level float64) Claim {
	half := stats.TQuantile(1-level/2, c.precision.DF) * c.precision.SE
	return Claim{Kind: Ratio, Metric: c.metric, By: c.by, A: c.a, B: c.b, Rows: c.rows, covers: c.precision.Covers,
		Low: analysis.Number(math.Expm1(c.log - half)), High: analysis.Number(math.Expm1(c.log + half))}
}

// ratio is the point estimate, less 1.
func (c contrast) ratio() analysis.Number { return analysis.Number(math.Expm1(c.log)) }

// matrix finds cells by their factors.
type matrix struct {
	cells   []analysis.Cell
	factors []string
	at      map[string]int
}

func newMatrix(cells []analysis.Cell, factors []string) *matrix {
	m := &matrix{factors: factors, at: map[string]int{}}
	for _, c := range cells {
		if c.Figure(analysis.Average).N > 0 {
			m.at[analysis.FactorKey(c.Factors, factors)] = len(m.cells)
			m.cells = append(m.cells, c)
		}
	}
	return m
}

// levels are the values of a factor in the order of the cells.
func (m *matrix) levels(factor string) (out []string) {
	for _, c := range m.cells {
		if v := c.Factors[factor]; v != "" && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}

// with returns the cell that has a level of a factor and else the values of a row.
func (m *matrix) with(row map[string]string, factor, level string) (analysis.Cell, bool) {
	values := make(map[string]string, len(row)+1)
	for k, v := range row {
		values[k] = v
	}
	values[factor] = level
	i, ok := m.at[analysis.FactorKey(values, m.factors)]
	if !ok {
		return analysis.Cell{}, false
	}
	return m.cells[i], true
}

// common returns the rows, cells without a factor, that hold for fixed values and that the most
// levels share, with these levels: a level that has less than half of the rows is left out.
func (m *matrix) common(by string, fixed map[string]string) (rows []map[string]string, levels []string) {
	rest := analysis.Without(m.factors, by)
	count, has := map[string]int{}, map[string]map[string]bool{}
	var keys []string
	values := map[string]map[string]string{}
	for _, c := range m.cells {
		meant := c.Factors[by] != ""
		for f, v := range fixed {
			meant = meant && c.Factors[f] == v
		}
		if !meant {
			continue
		}
		level, key := c.Factors[by], analysis.FactorKey(c.Factors, rest)
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
	for _, level := range m.levels(by) {
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

// contrast compares two levels over rows that both have.
func (m *matrix) contrast(metric, by, a, b string, rows []map[string]string) contrast {
	c := contrast{metric: metric, by: by, a: a, b: b, rows: rows, precision: variance.Precision{SE: math.NaN()}}
	perGame := map[string]int{}
	for _, row := range rows {
		perGame[row[record.TagGame]]++
	}
	var terms []variance.Term
	for _, row := range rows {
		x, _ := m.with(row, by, a)
		y, _ := m.with(row, by, b)
		fx, fy := x.Figure(metric), y.Figure(metric)
		if fx.N == 0 || fy.N == 0 || fx.Basis() == nil || fy.Basis() == nil {
			return c
		}
		w := 1 / float64(len(perGame)*perGame[row[record.TagGame]])
		c.log += w * (fx.Log() - fy.Log())
		terms = append(terms, variance.Term{Of: fx.Basis(), Weight: w}, variance.Term{Of: fy.Basis(), Weight: -w})
	}
	if len(terms) > 0 {
		c.precision = variance.Of(terms...)
	}
	return c
}

// ranked orders levels by the mean over rows, the best first; levels without a figure are left
// out.
func (m *matrix) ranked(metric, by string, levels []string, rows []map[string]string) []string {
	if len(levels) == 0 {
		return nil
	}
	log := map[string]float64{}
	var out []string
	for _, l := range levels {
		if c := m.contrast(metric, by, l, levels[0], rows); !math.IsNaN(c.log) && (c.known() || l == levels[0]) {
			log[l] = c.log
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
