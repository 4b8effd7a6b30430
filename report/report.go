package report

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"capd.example/analysis"
	"capd.example/record"
)

// Input is what a report is made of.
type Input struct {
	Title   string
	Version string    // of the program
	At      time.Time // when it was made
	Passes  []record.Pass
	Systems map[string]record.System
	Loads   map[string]analysis.Load
	Prices  []analysis.Price
	// PriceBy is the factor whose parts have prices.
	PriceBy   string
	RefreshHz []float64
	Traces    []Trace
	Options   analysis.Options
	// Pictures is the number of charts that are also drawn as PNG, each in two sizes.
	Pictures int
}

// Trace is a pass whose frame times are shown.
type Trace struct {
	Pass record.Pass
	MS   []float64
}

// Report is a report before it is written.
type Report struct {
	in      Input
	Cells   []analysis.Cell
	Margins []analysis.Margin
	Totals  []analysis.Total
	Limits  []analysis.Limit
	Models  []*analysis.Model
	Odd     analysis.OddReport
	Guesses []analysis.Prediction
	Holds   []analysis.Threshold
	Values  []analysis.Value

	charts  []chart
	passes  map[string]record.Pass
	factors []string
	varies  map[string]bool // factors that have more than one value
}

// Build draws all conclusions and charts.
func Build(in Input) (*Report, error) {
	if in.PriceBy == "" {
		in.PriceBy = record.TagGraphics
	}
	r := &Report{in: in, passes: map[string]record.Pass{}, factors: in.Options.Factors}
	if len(r.factors) == 0 {
		r.factors = record.CellFactors
	}
	for _, p := range in.Passes {
		r.passes[p.ID] = p
	}
	r.Cells = analysis.Cells(in.Passes, in.Options)
	r.varies = map[string]bool{}
	for _, f := range r.factors {
		r.varies[f] = r.count(f) > 1
	}
	for _, by := range []string{record.TagGraphics, record.TagProcessor} {
		base := r.base(by)
		if base == "" {
			continue
		}
		m, err := analysis.Compare(r.Cells, by, base, analysis.Average, in.Options)
		if err != nil {
			return nil, err
		}
		r.Margins = append(r.Margins, m...)
		if r.count(record.TagGame) > 1 {
			r.Totals = append(r.Totals, analysis.Totals(m, in.Options)...)
		}
	}
	r.Limits, r.Models = analysis.Limits(r.Cells, in.Loads, in.Options)
	r.Odd = analysis.FindOdd(r.Cells, in.Options)
	r.Guesses, _ = analysis.Predict(r.Cells, in.Options)
	r.Holds = analysis.Thresholds(r.Cells, in.RefreshHz)
	if len(in.Prices) > 0 {
		v, err := analysis.Values(r.Cells, in.PriceBy, in.Prices, in.Options)
		if err != nil {
			return nil, err
		}
		r.Values = v
	}
	r.draw()
	return r, nil
}

func (r *Report) count(factor string) int {
	seen := map[string]bool{}
	for _, c := range r.Cells {
		if v := c.Factors[factor]; v != "" {
			seen[v] = true
		}
	}
	return len(seen)
}

// base is the value of a factor that others are compared with: the one that is in most
// cells, the first of those. It is "" where there is nothing to compare.
func (r *Report) base(by string) string {
	n := map[string]int{}
	for _, c := range r.Cells {
		n[c.Factors[by]]++
	}
	best := ""
	for _, c := range r.Cells {
		if v := c.Factors[by]; v != "" && n[v] > n[best] {
			best = v
		}
	}
	if len(n) < 2 {
		return ""
	}
	return best
}

// setting names what cells share beside processor and card.
func (r *Report) setting(values map[string]string) string {
	var parts []string
	for _, f := range r.factors {
		if f != record.TagProcessor && f != record.TagGraphics && values[f] != "" {
			parts = append(parts, values[f])
		}
	}
	if len(parts) == 0 {
		return "all cells"
	}
	return strings.Join(parts, ", ")
}

// barsPerChart keeps bars readable in a video frame.
const barsPerChart = 24

func (r *Report) draw() {
	groups, names := r.groups()
	for i, name := range names {
		cells := groups[name]
		for part := 0; part*barsPerChart < len(cells); part++ {
			end := min(len(cells), (part+1)*barsPerChart)
			title := name
			if len(cells) > barsPerChart {
				title = fmt.Sprintf("%s (%d of %d)", name, part+1, (len(cells)+barsPerChart-1)/barsPerChart)
			}
			var rows []barRow
			for _, c := range cells[part*barsPerChart : end] {
				rows = append(rows, barRow{partName(c), c.Figure(analysis.Average), c.Figure(analysis.Low1)})
			}
			r.charts = append(r.charts, barChart(fmt.Sprintf("rates-%d-%d", i+1, part+1), title, r.in.Options.ConfidencePercent(), rows))
		}
		if ch, ok := r.scaling(fmt.Sprintf("scaling-%d", i+1), name, cells); ok {
			r.charts = append(r.charts, ch)
		}
	}
	r.charts = append(r.charts, r.marginMaps()...)
	if ch, ok := r.coverage(); ok {
		r.charts = append(r.charts, ch)
	}
	for i, t := range r.in.Traces {
		name := fmt.Sprintf("pass %s, %s", t.Pass.ID, strings.Join(cellValues(t.Pass, r.factors), ", "))
		r.charts = append(r.charts, traceChart(fmt.Sprintf("trace-%d", i+1), "Frame times of "+name, t.MS),
			spreadChart(fmt.Sprintf("distribution-%d", i+1), "Distribution of "+name, t.MS))
	}
}

func cellValues(p record.Pass, factors []string) []string {
	var out []string
	for _, f := range factors {
		if v := p.Tags.Value(f); v != "" {
			out = append(out, v)
		}
	}
	return out
}

// groups sorts the measured cells into settings, each from the fastest down.
func (r *Report) groups() (map[string][]analysis.Cell, []string) {
	groups := map[string][]analysis.Cell{}
	var names []string
	for _, c := range r.Cells {
		if c.Figure(analysis.Average).N == 0 {
			continue
		}
		name := r.setting(c.Factors)
		if groups[name] == nil {
			names = append(names, name)
		}
		groups[name] = append(groups[name], c)
	}
	for _, g := range groups {
		sort.SliceStable(g, func(i, j int) bool {
			return g[i].Figure(analysis.Average).Value() > g[j].Figure(analysis.Average).Value()
		})
	}
	sort.Strings(names)
	return groups, names
}

func partName(c analysis.Cell) string {
	a, b := c.Factors[record.TagProcessor], c.Factors[record.TagGraphics]
	switch {
	case a == "" && b == "":
		return c.Name()
	case a == "" || b == "":
		return a + b
	}
	return b + " + " + a
}

// scaling draws lines over the cards where there are two of both parts.
func (r *Report) scaling(name, setting string, cells []analysis.Cell) (chart, bool) {
	rate := map[string]map[string]analysis.Figure{}
	sum, n := map[string]float64{}, map[string]float64{}
	for _, c := range cells {
		cpu, gpu := c.Factors[record.TagProcessor], c.Factors[record.TagGraphics]
		if rate[cpu] == nil {
			rate[cpu] = map[string]analysis.Figure{}
		}
		rate[cpu][gpu] = c.Figure(analysis.Average)
		sum[gpu] += c.Figure(analysis.Average).Value()
		n[gpu]++
	}
	if len(rate) < 2 || len(sum) < 2 {
		return chart{}, false
	}
	cards := keys(sum)
	sortBy(cards, func(a, b string) bool { return sum[a]/n[a] < sum[b]/n[b] })
	var lines []line
	for _, cpu := range keys(rate) {
		l := line{name: cpu}
		for _, g := range cards {
			l.points = append(l.points, rate[cpu][g])
		}
		lines = append(lines, l)
	}
	return scaleChart(name, "Scaling: "+setting, cards, lines), true
}

func keys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

func sortBy[T any](s []T, less func(a, b T) bool) {
	sort.SliceStable(s, func(i, j int) bool { return less(s[i], s[j]) })
}

// mapRows is the number of rows of a map that a video frame holds; the tables have all.
const mapRows = 24

// marginMaps draws one map per compared factor.
func (r *Report) marginMaps() []chart {
	var out []chart
	for _, by := range []string{record.TagGraphics, record.TagProcessor} {
		row, column := newIndex(), newIndex()
		base, most := "", math.Log(1.1)
		for _, m := range r.Margins {
			if m.By != by {
				continue
			}
			base = m.Base
			row.of(r.varying(m.Factors))
			column.of(m.Value)
			if m.Call == analysis.Faster || m.Call == analysis.Slower {
				most = math.Max(most, math.Abs(math.Log1p(float64(m.Margin))))
			}
		}
		if base == "" {
			continue
		}
		note := "Whole per cents of average FPS. = tie (shown to be within the threshold), ? undecided; colour only where a difference is shown."
		rows := row.names
		if len(rows) > mapRows {
			rows = rows[:mapRows]
			note += fmt.Sprintf(" The first %d of %d rows; the table of margins has all.", mapRows, len(row.names))
		}
		cells := make([][]heatCell, len(rows))
		for i := range cells {
			cells[i] = make([]heatCell, len(column.names))
		}
		for _, m := range r.Margins {
			if m.By != by {
				continue
			}
			if i := row.of(r.varying(m.Factors)); i < len(rows) {
				cells[i][column.of(m.Value)] = marginCell(m, most)
			}
		}
		out = append(out, heatChart("margins-"+by, "Margins over "+base, note, rows, column.names, cells))
	}
	return out
}

// index numbers names in the order of their first use.
type index struct {
	at    map[string]int
	names []string
}

func newIndex() *index { return &index{at: map[string]int{}} }

func (x *index) of(name string) int {
	i, ok := x.at[name]
	if !ok {
		i = len(x.names)
		x.at[name] = i
		x.names = append(x.names, name)
	}
	return i
}

// varying names a cell by the factors that vary in the report.
func (r *Report) varying(values map[string]string) string {
	var parts []string
	for _, f := range r.factors {
		if v := values[f]; v != "" && r.varies[f] {
			parts = append(parts, v)
		}
	}
	if len(parts) == 0 {
		return "all cells"
	}
	return strings.Join(parts, ", ")
}

// marginCell colours a margin; most is the logarithm that has the full colour.
func marginCell(m analysis.Margin, most float64) heatCell {
	f := heatCell{text: analysis.WholePercent(m.Margin), value: math.NaN()}
	switch m.Call {
	case analysis.Tie:
		f.text += " ="
	case analysis.Undecided:
		f.text += " ?"
	default:
		f.value = math.Log1p(float64(m.Margin)) / most
	}
	return f
}

// coverage shows how many passes count in each cell.
func (r *Report) coverage() (chart, bool) {
	var rows, columns []string
	row, column := map[string]int{}, map[string]int{}
	for _, c := range r.Cells {
		if _, ok := row[partName(c)]; !ok {
			row[partName(c)] = len(rows)
			rows = append(rows, partName(c))
		}
		if s := r.setting(c.Factors); column[s] == 0 {
			columns = append(columns, s)
			column[s] = len(columns)
		}
	}
	if len(rows) == 0 {
		return chart{}, false
	}
	note := "Passes that count in each cell; +n are left out. Grey fields hold three or more."
	if len(rows) > 40 || len(columns) > 16 {
		note += " Only the first 40 rows and 16 columns are drawn; the table of cells has all."
		rows, columns = rows[:min(40, len(rows))], columns[:min(16, len(columns))]
	}
	cells := make([][]heatCell, len(rows))
	for i := range cells {
		cells[i] = make([]heatCell, len(columns))
		for j := range cells[i] {
			cells[i][j] = heatCell{"0", -1}
		}
	}
	for _, c := range r.Cells {
		i, j := row[partName(c)], column[r.setting(c.Factors)]-1
		if i >= len(rows) || j >= len(columns) {
			continue
		}
		n := len(c.Passes.Used)
		f := heatCell{fmt.Sprint(n), math.NaN()}
		if n < 3 {
			f.value = -float64(3-n) / 3
		}
		if out := len(c.Passes.LeftOut); out > 0 {
			f.text += fmt.Sprintf(" +%d", out)
		}
		cells[i][j] = f
	}
	return heatChart("coverage", "Coverage", note, rows, columns, cells), true
}
