package report

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/analysis/oddcell"
	"capd.example/analysis/power"
	"capd.example/analysis/ready"
	"capd.example/analysis/summary"
	"capd.example/record"
	"capd.example/report/chart"
)

// Input is what a report is made of.
type Input struct {
	Title   string
	Program Program
	At      time.Time // when it was made
	Passes  []record.Pass
	Cells   []analysis.Cell // of these passes; nil to have them made
	Systems map[string]record.System
	Loads   map[string]limit.Load
	// Readings are what sensors said, by the identity of the pass.
	Readings map[string]power.Reading
	Prices   []compare.Price
	// PriceBy is the factor whose parts have prices.
	PriceBy string
	// Selection says for people which passes these are and which were left out.
	Selection []string
	Notes     []record.Note // by the reviewer, about these passes
	// Ready is what the check before publishing looks at beside the cells.
	Ready     ready.Input
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
	Margins []compare.Margin
	Totals  []compare.Total
	Limits  []limit.Limit
	Models  []*analysis.Model
	Odd     oddcell.Report
	Guesses []limit.Prediction
	Holds   []compare.Threshold
	Values  []compare.Value
	Power   []power.Sum // of cells
	// Concerns are what stands against publishing, Sentences the conclusions in words.
	Concerns  []ready.Concern
	Sentences []summary.Sentence

	marked  map[string]bool // cells that they name, by their values
	charts  []chart.Chart
	factors []string
	varies  map[string]bool // factors that have more than one value
}

// Build draws all conclusions and charts.
func Build(in Input) (*Report, error) {
	r, err := Conclude(in)
	if err == nil {
		r.draw()
	}
	return r, err
}

// Conclude draws all conclusions and no chart.
func Conclude(in Input) (*Report, error) {
	if in.PriceBy == "" {
		in.PriceBy = record.TagGraphics
	}
	r := &Report{in: in, factors: in.Options.Factors}
	if len(r.factors) == 0 {
		r.factors = record.CellFactors
	}
	if r.Cells = in.Cells; r.Cells == nil {
		r.Cells = analysis.Cells(in.Passes, in.Options)
	}
	r.varies = map[string]bool{}
	for _, f := range r.factors {
		r.varies[f] = r.count(f) > 1
	}
	for _, by := range []string{record.TagGraphics, record.TagProcessor} {
		base := r.base(by)
		if base == "" {
			continue
		}
		m, err := compare.Margins(r.Cells, by, base, analysis.Average, in.Options)
		if err != nil {
			return nil, err
		}
		r.Margins = append(r.Margins, m...)
		if r.count(record.TagGame) > 1 {
			r.Totals = append(r.Totals, compare.Totals(m, in.Options)...)
		}
	}
	r.Limits, r.Models = limit.Limits(r.Cells, in.Loads, in.Options)
	r.Odd = oddcell.Find(r.Cells, in.Options)
	r.Guesses, _ = limit.Predict(r.Cells, in.Options)
	r.Holds = compare.Thresholds(r.Cells, in.RefreshHz)
	r.Power = power.Cells(r.Cells, in.Readings, in.Options)
	if len(in.Prices) > 0 {
		v, err := compare.Values(r.Cells, in.PriceBy, in.Prices, in.Options)
		if err != nil {
			return nil, err
		}
		r.Values = v
	}
	r.concerns()
	r.Sentences = r.sentences()
	return r, nil
}

// Suspects are the odd cells, and those with the rates of the cell beside them, as the check before
// publishing takes them.
func Suspects(odd oddcell.Report) (out []ready.Suspect) {
	for _, x := range odd.Odd {
		out = append(out, ready.Suspect{Factors: x.Factors, Reason: x.Reason, Advice: x.Advice, Passes: x.Passes})
	}
	for _, x := range odd.Alike {
		out = append(out, ready.Suspect{Factors: x.Factors, Reason: x.Reason, Passes: x.Passes,
			Advice: "a guess: look, then correct the passes with 'capctl tag' or measure the cell again"})
	}
	return out
}

// concerns looks what stands against publishing, and marks the cells that it names; what holds
// for every cell marks none.
func (r *Report) concerns() {
	in := r.in.Ready
	in.Cells, in.Passes, in.Systems, in.Factors, in.Odd = r.Cells, r.in.Passes, r.in.Systems, r.factors, Suspects(r.Odd)
	r.Concerns, r.marked = ready.Check(in), map[string]bool{}
	for _, c := range r.Concerns {
		if len(c.Cells) == len(r.Cells) && len(r.Cells) > 1 {
			continue
		}
		for _, values := range c.Cells {
			r.marked[analysis.FactorKey(values, r.factors)] = true
		}
	}
}

// mark is what stands behind the name of a cell that is named before publishing.
func (r *Report) mark(values map[string]string) string {
	if r.marked[analysis.FactorKey(values, r.factors)] {
		return " (!)"
	}
	return ""
}

// marks explains the mark where one of the cells has it.
func (r *Report) marks(cells []analysis.Cell) string {
	if slices.ContainsFunc(cells, func(c analysis.Cell) bool { return r.mark(c.Factors) != "" }) {
		return "(!): see “Before publishing”. "
	}
	return ""
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

// Headings that charts stand under, beside the settings.
const (
	groupMargins  = "Margins"
	groupCoverage = "Coverage"
	groupTraces   = "Frame times of single passes"
)

func (r *Report) draw() {
	groups, names := r.groups()
	for i, name := range names {
		cells := groups[name]
		label, more := partNames(cells)
		more += r.marks(cells)
		parts := chunks(len(cells), barsPerChart)
		var all []chart.BarRow
		for _, c := range cells {
			all = append(
				all,
				chart.BarRow{
					Label:   label(c) + r.mark(c.Factors),
					Average: c.Figure(analysis.Average),
					Low1:    c.Figure(analysis.Low1),
				},
			)
		}
		for part, at := range parts {
			rows := all[at[0]:at[1]]
			r.add(name, chart.Bars(fmt.Sprintf("rates-%d-%d", i+1, part+1), name, more, ofParts(part, len(parts)),
				r.in.Options.ConfidencePercent(), chart.AxisEnd(all), rows))
		}
		if ch, ok := r.scaling(fmt.Sprintf("scaling-%d", i+1), name, cells); ok {
			r.add(name, ch)
		}
	}
	r.marginMaps()
	r.coverage()
	for i, t := range r.in.Traces {
		more := ""
		if values := cellValues(t.Pass, r.factors); len(values) > 0 {
			more = strings.Join(values, ", ") + ". "
		}
		r.add(groupTraces, chart.Trace(fmt.Sprintf("trace-%d", i+1), "Frame times of pass "+t.Pass.ID, more, t.MS))
		r.add(groupTraces, chart.Distribution(fmt.Sprintf("distribution-%d", i+1),
			"Distribution of the frame times of pass "+t.Pass.ID, more, t.MS))
	}
}

func (r *Report) add(group string, ch chart.Chart) {
	ch.Group = group
	r.charts = append(r.charts, ch)
}

// chunks parts n things into runs of most at the most, all about as long.
func chunks(n, most int) [][2]int {
	parts := (n + most - 1) / most
	var out [][2]int
	for i := range parts {
		out = append(out, [2]int{i * n / parts, (i + 1) * n / parts})
	}
	return out
}

func ofParts(i, n int) string {
	if n < 2 {
		return ""
	}
	return fmt.Sprintf(" (%d of %d)", i+1, n)
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
	rest := analysis.Without(r.factors, record.TagProcessor, record.TagGraphics)
	order := map[string]func(a, b string) int{}
	for _, f := range rest {
		order[f] = r.in.Options.Order(f)
	}
	slices.SortStableFunc(names, func(a, b string) int {
		for _, f := range rest {
			if d := order[f](groups[a][0].Factors[f], groups[b][0].Factors[f]); d != 0 {
				return d
			}
		}
		return 0
	})
	return groups, names
}

// partNames names cells of one setting by their parts; a part that all of them have is
// said once instead.
func partNames(cells []analysis.Cell) (label func(analysis.Cell) string, more string) {
	own := []string{record.TagGraphics, record.TagProcessor}
	own = slices.DeleteFunc(own, func(f string) bool {
		v := cells[0].Factors[f]
		return v == "" || !slices.ContainsFunc(cells, func(c analysis.Cell) bool { return c.Factors[f] != v })
	})
	if len(own) == 0 {
		return partName, ""
	}
	for _, f := range []string{record.TagGraphics, record.TagProcessor} {
		if v := cells[0].Factors[f]; v != "" && !slices.Contains(own, f) {
			more = "All with " + v + ". "
		}
	}
	return func(c analysis.Cell) string {
		var parts []string
		for _, f := range own {
			if v := c.Factors[f]; v != "" {
				parts = append(parts, v)
			}
		}
		return strings.Join(parts, " + ")
	}, more
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
func (r *Report) scaling(name, setting string, cells []analysis.Cell) (chart.Chart, bool) {
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
		return chart.Chart{}, false
	}
	cards := keys(sum)
	sortBy(cards, func(a, b string) bool { return sum[a]/n[a] < sum[b]/n[b] })
	var lines []chart.Line
	place := r.in.Options.Positions(r.Cells, record.TagProcessor)
	cpus := keys(rate)
	sortBy(cpus, func(a, b string) bool { return place[a] < place[b] })
	for _, cpu := range cpus {
		l := chart.Line{Name: cpu, Place: place[cpu]}
		for _, g := range cards {
			l.Points = append(l.Points, rate[cpu][g])
		}
		lines = append(lines, l)
	}
	return chart.Scaling(name, "Scaling: "+setting, r.in.Options.ConfidencePercent(), cards, lines), true
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

// mapRows and mapColumns are what a map in a video frame holds, mapsAtMost the number of
// maps that are drawn of one thing; the tables have all.
const mapRows, mapColumns, mapsAtMost = 24, 16, 8

// names are rows or columns of a map in the order of the factors' values.
type names struct {
	factors []string
	at      map[string]int
	values  []map[string]string
}

func (n *names) key(values map[string]string) string {
	var b strings.Builder
	for _, f := range n.factors {
		b.WriteString(values[f])
		b.WriteByte(0)
	}
	return b.String()
}

func (n *names) add(values map[string]string) {
	if n.at == nil {
		n.at = map[string]int{}
	}
	if key := n.key(values); n.at[key] == 0 {
		n.values = append(n.values, values)
		n.at[key] = len(n.values)
	}
}

func (n *names) of(values map[string]string) int { return n.at[n.key(values)] - 1 }

// sort brings the names into the order of ranks, so that equal levels stand together.
func (n *names) sort(ranks map[string]map[string]int) {
	slices.SortStableFunc(n.values, func(a, b map[string]string) int {
		for _, f := range n.factors {
			if d := ranks[f][a[f]] - ranks[f][b[f]]; d != 0 {
				return d
			}
		}
		return 0
	})
	for i, v := range n.values {
		n.at[n.key(v)] = i + 1
	}
}

// levels are the names as a map shows them, by the factors that vary in the report.
func (r *Report) levels(n names, from, to int) [][]string {
	var out [][]string
	for _, v := range n.values[from:to] {
		var levels []string
		for _, f := range n.factors {
			if !r.varies[f] {
				continue
			}
			if v[f] == "" {
				levels = append(levels, "no "+f)
				continue
			}
			levels = append(levels, v[f])
		}
		if len(levels) == 0 {
			levels = []string{"all cells"}
		}
		out = append(out, levels)
	}
	return out
}

// ranks numbers the values of each factor in the order of the cells.
func (r *Report) ranks() map[string]map[string]int {
	out := map[string]map[string]int{}
	for _, f := range r.factors {
		out[f] = map[string]int{}
		for _, c := range r.Cells {
			if _, ok := out[f][c.Factors[f]]; !ok {
				out[f][c.Factors[f]] = len(out[f])
			}
		}
	}
	return out
}

// common says what all cells of the report share among the given factors.
func (r *Report) common(factors []string) string {
	var parts []string
	for _, f := range factors {
		if len(r.Cells) > 0 && !r.varies[f] && r.Cells[0].Factors[f] != "" {
			parts = append(parts, r.Cells[0].Factors[f])
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return "All cells: " + strings.Join(parts, ", ") + "."
}

// maps draws a table of fields in as many maps as it needs. A map is rather high than wide.
func (r *Report) maps(group, name, title, note string, key []chart.Sign, rows, columns names,
	fields [][]chart.HeatCell) {
	if len(columns.values) > len(rows.values) {
		turned := make([][]chart.HeatCell, len(columns.values))
		for j := range turned {
			turned[j] = make([]chart.HeatCell, len(rows.values))
			for i := range rows.values {
				turned[j][i] = fields[i][j]
			}
		}
		rows, columns, fields = columns, rows, turned
	}
	var parts [][4]int
	for _, i := range chunks(len(rows.values), mapRows) {
		for _, j := range chunks(len(columns.values), mapColumns) {
			parts = append(parts, [4]int{i[0], i[1], j[0], j[1]})
		}
	}
	if all := len(parts); all > mapsAtMost {
		note += fmt.Sprintf(" The first %d of %d maps; the tables have all.", mapsAtMost, all)
		parts = parts[:mapsAtMost]
	}
	for k, p := range parts {
		m := chart.HeatMap{Rows: r.levels(rows, p[0], p[1]), Columns: r.levels(columns, p[2], p[3])}
		for i := p[0]; i < p[1]; i++ {
			m.Fields = append(m.Fields, fields[i][p[2]:p[3]])
		}
		file := name
		if k > 0 {
			file += fmt.Sprintf("-%d", k+1)
		}
		r.add(group, chart.Heat(file, title+ofParts(k, len(parts)), note, key, m))
	}
}

func newFields(rows, columns names) [][]chart.HeatCell {
	out := make([][]chart.HeatCell, len(rows.values))
	for i := range out {
		out[i] = make([]chart.HeatCell, len(columns.values))
	}
	return out
}

// marginMaps draws the margins of each compared factor.
func (r *Report) marginMaps() {
	ranks := r.ranks()
	for _, by := range []string{record.TagGraphics, record.TagProcessor} {
		rows, columns := names{factors: without(r.factors, by)}, names{factors: []string{by}}
		base, most := "", math.Log(1.1)
		for _, m := range r.Margins {
			if m.By != by {
				continue
			}
			base = m.Base
			rows.add(m.Factors)
			columns.add(map[string]string{by: m.Value})
			if m.Call == compare.Faster || m.Call == compare.Slower {
				most = math.Max(most, math.Abs(math.Log1p(float64(m.Margin))))
			}
		}
		if base == "" {
			continue
		}
		rows.sort(ranks)
		columns.sort(ranks)
		fields := newFields(rows, columns)
		for _, m := range r.Margins {
			if m.By == by {
				fields[rows.of(m.Factors)][columns.of(map[string]string{by: m.Value})] = marginCell(m, most)
			}
		}
		note := "Differences of the average FPS in per cent; the table of margins has their " +
			r.in.Options.ConfidencePercent() + " intervals. The fuller the colour, the larger the difference. " +
			r.common(rows.factors)
		key := []chart.Sign{chart.MapSign(1, "+", "faster (blue, +)"), chart.MapSign(-1, "-", "slower (orange, -)"),
			chart.MapSign(math.NaN(), "≤", "no difference: at most so much either way (grey, ≤)"),
			chart.MapSign(math.NaN(), "?", "perhaps none (grey, ?)")}
		r.maps(groupMargins, "margins-"+by, "Margins over "+base+" in per cent", note, key, rows, columns, fields)
	}
}

// marginCell colours a margin; most is the logarithm that has the full colour.
func marginCell(m compare.Margin, most float64) chart.HeatCell {
	f := chart.HeatCell{Text: compare.Signed(m.Margin, analysis.Undefined, analysis.Undefined), Value: math.NaN()}
	switch m.Call {
	case compare.Tie:
		f.Text = fmt.Sprintf("≤ %.1f", math.Ceil(1000*float64(m.AtMost))/10)
	case compare.Undecided:
		f.Text += " ?"
	default:
		f.Value = math.Log1p(float64(m.Margin)) / most
	}
	return f
}

// coverage shows how many passes count in each cell.
func (r *Report) coverage() {
	own := func(f string) bool { return f == record.TagProcessor || f == record.TagGraphics }
	rows := names{factors: slices.DeleteFunc(slices.Clone(r.factors), func(f string) bool { return !own(f) })}
	columns := names{factors: slices.DeleteFunc(slices.Clone(r.factors), own)}
	for _, c := range r.Cells {
		rows.add(c.Factors)
		columns.add(c.Factors)
	}
	if len(rows.values) == 0 {
		return
	}
	ranks := r.ranks()
	rows.sort(ranks)
	columns.sort(ranks)
	fields := newFields(rows, columns)
	for i := range fields {
		for j := range fields[i] {
			fields[i][j] = chart.HeatCell{Text: "0", Value: -1}
		}
	}
	left := false
	for _, c := range r.Cells {
		n := len(c.Passes.Used)
		f := chart.HeatCell{Text: fmt.Sprint(n), Value: math.NaN()}
		if n < 3 {
			f.Value = -float64(3-n) / 3
		}
		if out := len(c.Passes.LeftOut); out > 0 {
			f.Text += fmt.Sprintf(" +%d", out)
			left = true
		}
		fields[rows.of(c.Factors)][columns.of(c.Factors)] = f
	}
	note := "Number of passes that count in each cell. "
	if left {
		note = "Number of passes that count in each cell; +n: so many more are left out. "
	}
	key := []chart.Sign{chart.MapSign(math.NaN(), "3", "three or more (grey)"),
		chart.MapSign(-1./3, "2", "fewer (orange, the fuller the fewer)")}
	r.maps(groupCoverage, "coverage", "Coverage: passes per cell", note+r.common(r.factors), key, rows, columns, fields)
}
