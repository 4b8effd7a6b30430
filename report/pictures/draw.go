package pictures

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/report/chart"
	"capd.example/stats"
)

// Price is what a part costs.
type Price struct {
	Part, Currency string
	Amount         float64
}

// Measure is a figure beside those of the frame times, such as frames per watt.
type Measure struct {
	Name, Text, Unit string
	Decimals         int
	Fewer            bool                                // less is better
	Over             Over                                // how cells are summed up
	Sensor           bool                                // from telemetry: it may be missing, and clocks held back
	Neutral          bool                                // neither more nor less is better
	Of               func(analysis.Cell) analysis.Figure // N 0 where it is not known
}

// Over says how a figure of several cells is made.
type Over int

// The ways; each game has the same weight in a mean.
const (
	Geometric Over = iota
	Arithmetic
	Largest
)

// Source is what pictures are drawn from.
type Source struct {
	Cells    []analysis.Cell
	Options  analysis.Options
	Factors  []string // that make a cell, in their order
	Prices   []Price
	PriceBy  string // factor whose parts have prices
	Measures []Measure
	// Throttled says what held clocks back in a cell, "" for nothing or where no sensor tells.
	Throttled func(analysis.Cell) string
	// Frames reads the frame times of a pass, in milliseconds; nil where there are none.
	Frames func(id string) ([]float64, error)
}

// Drawn is a picture and its numbers.
type Drawn struct {
	Chart chart.Chart
	Table [][]string // with a line of headings
}

// Draw draws what is ordered. An order that no cell fits is an error that says what there is; of
// the good set such a picture is skipped, and its error handed out beside the others.
func Draw(src Source, spec Spec) (out []Drawn, skipped []error, err error) {
	d := drawer{src, map[string]Measure{}}
	for _, m := range analysis.Metrics {
		d.figures[m.Name] = metric(m)
	}
	for _, m := range src.Measures {
		d.figures[m.Name] = m
	}
	if len(src.Prices) > 0 {
		d.figures[CostPerFrame] = d.cost()
	}
	orders := spec.Pictures
	if orders == nil {
		orders = d.standard()
	}
	for i, p := range orders {
		drawn, err := d.draw(p)
		switch {
		case err == nil:
			out = append(out, drawn...)
		case spec.Pictures == nil:
			skipped = append(skipped, fmt.Errorf("%s: %w", p.Name, err))
		default:
			return nil, nil, fmt.Errorf("picture %d (%s): %w", i+1, p.Name, err)
		}
	}
	if len(out) == 0 && spec.Pictures == nil {
		return nil, nil, fmt.Errorf("nothing can be drawn: %w",
			cmp.Or(errors.Join(skipped...), errors.New("no measured cell says what is compared")))
	}
	names := map[string]bool{}
	for _, x := range out {
		if names[x.Chart.Name] {
			return nil, nil, fmt.Errorf("two pictures are called %s: give one another name", x.Chart.Name)
		}
		names[x.Chart.Name] = true
	}
	return out, skipped, nil
}

type drawer struct {
	Source
	figures map[string]Measure
}

// units of the figures of frame times, as pictures say them.
func metric(m analysis.Metric) Measure {
	x := Measure{
		Name: m.Name,
		Text: m.Text,
		Unit: "FPS",
		Of:   func(c analysis.Cell) analysis.Figure { return c.Figure(m.Name) },
	}
	if x.Decimals = 1; !m.Rate {
		x.Unit, x.Decimals, x.Fewer = "ms", 2, true
	}
	return x
}

// cost is the price of the part for each frame a second.
func (d drawer) cost() Measure {
	price := map[string]Price{}
	for _, p := range d.Prices {
		price[p.Part] = p
	}
	by := cmp.Or(d.PriceBy, record.TagGraphics)
	return Measure{
		Name:     CostPerFrame,
		Text:     "cost per frame",
		Unit:     d.Prices[0].Currency + " per FPS",
		Decimals: 2,
		Fewer:    true,
		Of: func(c analysis.Cell) analysis.Figure {
			f, p := c.Figure(analysis.Average), price[c.Factors[by]]
			if f.N == 0 || !(p.Amount > 0) {
				return analysis.Figure{}
			}
			over := func(x analysis.Number) analysis.Number { return analysis.Number(p.Amount) / x }
			return analysis.Figure{
				N:      f.N,
				Shown:  "mean",
				Mean:   over(analysis.Number(f.Value())),
				CILow:  over(f.CIHigh),
				CIHigh: over(f.CILow),
			}
		},
	}
}

// selected returns the cells of an order.
func (d drawer) selected(p Picture) ([]analysis.Cell, error) {
	for f, levels := range p.Levels {
		there := d.levels(d.Cells, f)
		for _, l := range levels {
			if !slices.Contains(there, l) {
				return nil, fmt.Errorf(
					"no cell has %s = %q; there are: %s",
					text.Plain(f),
					text.Plain(l),
					text.Plain(strings.Join(there, ", ")),
				)
			}
		}
	}
	var out []analysis.Cell
	for _, c := range d.Cells {
		meant := measured(c)
		for f, levels := range p.Levels {
			meant = meant && slices.Contains(levels, c.Factors[f])
		}
		if meant {
			out = append(out, c)
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("no measured cell fits")
	}
	return out, nil
}

func measured(c analysis.Cell) bool { return c.Figure(analysis.Average).N > 0 }

// levels are the values of a factor in the order of the plan.
func (d drawer) levels(cells []analysis.Cell, factor string) (out []string) {
	seen := map[string]bool{}
	for _, c := range cells {
		if v := c.Factors[factor]; v != "" && !seen[v] {
			seen[v] = true
			out = append(out, v)
		}
	}
	slices.SortStableFunc(out, d.Options.Order(factor))
	return out
}

func (d drawer) measure(name string) (Measure, error) {
	m, ok := d.figures[name]
	if !ok {
		return m, fmt.Errorf(
			"there is no figure %q here; there are: %s",
			text.Plain(name),
			strings.Join(d.figureNames(), ", "),
		)
	}
	return m, nil
}

func (d drawer) figureNames() (out []string) {
	for n := range d.figures {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

// table is rows by series with what each field is the mean of.
type table struct {
	rows    []string // names
	keys    []map[string]string
	series  []string
	fields  [][]analysis.Figure
	over    []string // games and the like that fields are means over
	without []string // rows, and bars of rows, that lack too many cells
}

type place struct{ row, series, rest string }

// places are the cells of a table by where they stand.
type places struct {
	rowBy []string
	rows  []map[string]string // factors of the first cell of each
	at    map[place]analysis.Cell
	count map[place]int  // cells of a row and series
	most  map[string]int // that a row of the series has
}

func placed(cells []analysis.Cell, rowBy []string, series string, rest []string, m Measure) places {
	x := places{rowBy, nil, map[place]analysis.Cell{}, map[place]int{}, map[string]int{}}
	known := map[string]bool{}
	for _, c := range cells {
		s := c.Factors[series]
		if m.Of(c).N == 0 || series != "" && s == "" {
			continue
		}
		row := analysis.FactorKey(c.Factors, rowBy)
		if !known[row] {
			known[row], x.rows = true, append(x.rows, c.Factors)
		}
		x.at[place{row, s, analysis.FactorKey(c.Factors, rest)}] = c
		x.count[place{row, s, ""}]++
		x.most[s] = max(x.most[s], x.count[place{row, s, ""}])
	}
	return x
}

func (x places) cell(row map[string]string, series, rest string) (analysis.Cell, bool) {
	c, ok := x.at[place{analysis.FactorKey(row, x.rowBy), series, rest}]
	return c, ok
}

func (x places) cells(row map[string]string, series string) int {
	return x.count[place{analysis.FactorKey(row, x.rowBy), series, ""}]
}

// enough says whether a row is compared in a series.
func (x places) enough(row map[string]string, series string) bool {
	n := x.cells(row, series)
	return n > 0 && 2*n >= x.most[series]
}

// grid averages cells by rows and series over what is left. In a series only what all of its rows
// have counts; a row with less than half of the cells of another is left out of it.
func (d drawer) grid(cells []analysis.Cell, rowBy []string, series string, m Measure) table {
	own := append(slices.Clone(rowBy), series)
	rest := slices.DeleteFunc(slices.Clone(d.Factors), func(f string) bool { return slices.Contains(own, f) })
	x := placed(cells, rowBy, series, rest, m)
	t := table{series: []string{""}}
	if series != "" {
		t.series = d.levels(cells, series)
	}
	for _, r := range x.rows {
		if !slices.ContainsFunc(t.series, func(s string) bool { return x.enough(r, s) }) {
			t.without = append(t.without, rowName(r, rowBy))
			continue
		}
		t.rows, t.keys = append(t.rows, rowName(r, rowBy)), append(t.keys, r)
	}
	common := map[string][]string{} // rest keys that all rows of a series have
	seen := map[place]bool{}
	values := map[string]map[string]string{}
	for _, c := range cells {
		key, s := analysis.FactorKey(c.Factors, rest), c.Factors[series]
		if seen[place{"", s, key}] {
			continue
		}
		seen[place{"", s, key}] = true
		lacks := func(r map[string]string) bool {
			_, ok := x.cell(r, s, key)
			return x.enough(r, s) && !ok
		}
		if x.most[s] > 0 && !slices.ContainsFunc(t.keys, lacks) {
			common[s] = append(common[s], key)
			values[key] = c.Factors
		}
	}
	t.over = overOf(rest, values)
	for i, r := range t.keys {
		fields := make([]analysis.Figure, len(t.series))
		for k, s := range t.series {
			var list []analysis.Cell
			for _, key := range common[s] {
				if c, ok := x.cell(r, s, key); ok && x.enough(r, s) {
					list = append(list, c)
				}
			}
			if fields[k] = d.mean(list, m); len(list) == 0 && x.cells(r, s) > 0 {
				t.without = append(t.without, strings.TrimSuffix(t.rows[i]+" in "+s, " in "))
			}
		}
		t.fields = append(t.fields, fields)
	}
	return t
}

func rowName(r map[string]string, rowBy []string) string {
	var parts []string
	for _, f := range rowBy {
		if v := r[f]; v != "" {
			parts = append(parts, v)
		}
	}
	return strings.Join(parts, " + ")
}

// drawable refuses a table without a figure.
func (t table) drawable() error {
	for _, fields := range t.fields {
		for _, f := range fields {
			if f.N > 0 {
				return nil
			}
		}
	}
	if len(t.rows) > 0 {
		return fmt.Errorf("%s have no measured cell in common; select fewer of them", text.Plain(strings.Join(t.rows, ", ")))
	}
	return fmt.Errorf("no selected cell has the figure")
}

// overOf counts the levels of the factors that a mean is over.
func overOf(rest []string, values map[string]map[string]string) (out []string) {
	for _, f := range rest {
		n := map[string]bool{}
		for _, v := range values {
			if v[f] != "" {
				n[v[f]] = true
			}
		}
		if len(n) > 1 {
			out = append(out, record.Count(len(n), said(f)))
		}
	}
	return out
}

func said(factor string) string {
	switch factor {
	case record.TagProcessor:
		return "processor"
	case record.TagGraphics:
		return "card"
	}
	return factor
}

// mean is the geometric mean of a figure over cells, each game with the same weight.
func (d drawer) mean(cells []analysis.Cell, m Measure) analysis.Figure {
	switch len(cells) {
	case 0:
		return analysis.Figure{}
	case 1:
		return m.Of(cells[0])
	}
	if m.Over != Geometric {
		return summed(cells, m)
	}
	games := map[string]int{}
	for _, c := range cells {
		games[c.Factors[record.TagGame]]++
	}
	log := 0.0
	var terms []variance.Term
	for _, c := range cells {
		f := m.Of(c)
		w := 1 / float64(len(games)*games[c.Factors[record.TagGame]])
		log += w * math.Log(f.Value())
		if f.Basis() != nil {
			terms = append(terms, variance.Term{Of: f.Basis(), Weight: w})
		}
	}
	out := analysis.Figure{
		N:      len(cells),
		Shown:  "mean",
		Mean:   analysis.Number(math.Exp(log)),
		CILow:  analysis.Undefined,
		CIHigh: analysis.Undefined,
	}
	if len(terms) == len(cells) {
		if p := variance.Of(terms...); p.SE > 0 && p.DF > 0 {
			half := stats.TQuantile(0.5+d.Options.WithDefaults().Confidence/2, p.DF) * p.SE
			out.CILow, out.CIHigh = analysis.Number(math.Exp(log-half)), analysis.Number(math.Exp(log+half))
		}
	}
	return out
}

// summed is the arithmetic mean of a figure over cells, each game with the same weight, or the
// largest.
func summed(cells []analysis.Cell, m Measure) analysis.Figure {
	games := map[string]int{}
	for _, c := range cells {
		games[c.Factors[record.TagGame]]++
	}
	sum, most := 0.0, math.Inf(-1)
	for _, c := range cells {
		v := m.Of(c).Value()
		sum, most = sum+v/float64(len(games)*games[c.Factors[record.TagGame]]), math.Max(most, v)
	}
	if m.Over == Largest {
		sum = most
	}
	return analysis.Figure{N: len(cells), Shown: "mean", Mean: analysis.Number(sum), CILow: analysis.Undefined,
		CIHigh: analysis.Undefined}
}

// order sorts the rows of a table.
func (t *table) order(p Picture, m Measure, d drawer) {
	index := make([]int, len(t.rows))
	for i := range index {
		index[i] = i
	}
	slices.SortStableFunc(index, func(a, b int) int {
		x, y := t.keys[a], t.keys[b]
		switch p.Order {
		case "plan":
			return d.Options.Order(p.By)(x[p.By], y[p.By])
		case "listed":
			l := p.Levels[p.By]
			return cmp.Compare(slices.Index(l, x[p.By]), slices.Index(l, y[p.By]))
		}
		best := func(i int) float64 {
			v := math.Inf(-1)
			for _, f := range t.fields[i] {
				if f.N > 0 {
					if v = f.Value(); m.Fewer {
						v = -v
					}
					break
				}
			}
			return v
		}
		return cmp.Compare(best(b), best(a))
	})
	rows, keys, fields := slices.Clone(t.rows), slices.Clone(t.keys), slices.Clone(t.fields)
	for i, j := range index {
		t.rows[i], t.keys[i], t.fields[i] = rows[j], keys[j], fields[j]
	}
}

func (d drawer) draw(p Picture) ([]Drawn, error) {
	cells, err := d.selected(p)
	if err != nil {
		return nil, err
	}
	for _, f := range []string{p.By, p.Series} {
		if f != "" && len(d.levels(cells, f)) == 0 {
			return nil, fmt.Errorf("no selected cell has the factor %q", text.Plain(f))
		}
	}
	cells = slices.DeleteFunc(cells, func(c analysis.Cell) bool { return c.Factors[p.By] == "" }) // no row, no column
	switch p.Kind {
	case Lines:
		return d.lines(p, cells)
	case Margins:
		return d.margins(p, cells)
	case Percentiles:
		return d.percentiles(p, cells)
	case Change:
		return d.change(p, cells)
	}
	return d.bars(p, cells)
}

// rowsBy is the factor of the rows, and the other part where that varies too.
func (d drawer) rowsBy(p Picture, cells []analysis.Cell) []string {
	by := []string{p.By}
	for _, f := range []string{record.TagGraphics, record.TagProcessor} {
		if f != p.By && f != p.Series && (p.By == record.TagGraphics || p.By == record.TagProcessor) &&
			len(d.levels(cells, f)) > 1 {
			by = append(by, f)
		}
	}
	return by
}

// shared says what all cells have in common, for a title.
func (d drawer) shared(cells []analysis.Cell, own []string) string {
	var parts []string
	for _, f := range d.Factors {
		if l := d.levels(cells, f); len(l) == 1 && !slices.Contains(own, f) {
			parts = append(parts, l[0])
		}
	}
	return strings.Join(parts, ", ")
}

func (d drawer) words(p Picture, cells []analysis.Cell, own []string, what string, m Measure, t table) chart.Words {
	w := chart.Words{Name: p.Name, Title: p.Title, Unit: m.Unit, Confidence: d.Options.ConfidencePercent()}
	if w.Title == "" {
		w.Title = what
		if s := d.shared(cells, own); s != "" {
			w.Title += ": " + s
		}
	}
	var notes []string
	if p.Subtitle != "" {
		notes = append(notes, strings.TrimRight(p.Subtitle, ". "))
	}
	if len(t.over) > 0 {
		how := map[Over]string{Geometric: "Geometric mean over ", Arithmetic: "Mean over ", Largest: "Largest over "}
		notes = append(notes, how[m.Over]+strings.Join(t.over, " and "))
	}
	switch {
	case m.Fewer:
		notes = append(notes, "Less is better")
	case !m.Neutral:
		notes = append(notes, "More is better")
	}
	if m.Sensor {
		rowBy := slices.DeleteFunc(slices.Clone(own), func(f string) bool { return f == "" || f == p.Series })
		notes = append(notes, d.told(cells, rowBy, m)...)
	}
	if len(t.without) > 0 {
		notes = append(notes, "Not in it, for want of cells: "+strings.Join(t.without, ", "))
	}
	w.Note = strings.Join(notes, ". ") + "."
	return w
}

// moreFigures adds the figures of an order beyond the first to a table and returns the names of
// all.
func (d drawer) moreFigures(t *table, p Picture, first Measure, cells []analysis.Cell, rowBy []string) (names []string,
	err error) {
	for k, name := range p.Figures {
		m, err := d.measure(name)
		if err != nil {
			return nil, err
		}
		if m.Unit != first.Unit {
			return nil, fmt.Errorf(
				"figures: %s is in %s and %s in %s; bars of one picture have one unit",
				first.Name,
				first.Unit,
				m.Name,
				m.Unit,
			)
		}
		if names = append(names, m.Text); k == 0 {
			continue
		}
		more := d.grid(cells, rowBy, "", m)
		for i := range t.rows {
			f := analysis.Figure{}
			if j := slices.Index(more.rows, t.rows[i]); j >= 0 {
				f = more.fields[j][0]
			}
			t.fields[i] = append(t.fields[i], f)
		}
	}
	return names, nil
}

func (d drawer) bars(p Picture, cells []analysis.Cell) ([]Drawn, error) {
	first, err := d.measure(p.Figures[0])
	if err != nil {
		return nil, err
	}
	rowBy := d.rowsBy(p, cells)
	t := d.grid(cells, rowBy, p.Series, first)
	names := t.series
	if p.Series == "" {
		if names, err = d.moreFigures(&t, p, first, cells, rowBy); err != nil {
			return nil, err
		}
	}
	if err := t.drawable(); err != nil {
		return nil, err
	}
	if len(names) > 6 {
		return nil, fmt.Errorf("%d rows with %d bars each cannot be drawn", len(t.rows), len(names))
	}
	t.order(p, first, d)
	what := first.Text
	if p.Series == "" && len(names) > 1 {
		what = strings.Join(names, " and ")
	}
	w := d.words(p, cells, append(slices.Clone(rowBy), p.Series), strings.ToUpper(what[:1])+what[1:], first, t)
	rows := make([]chart.Row, len(t.rows))
	for i := range t.rows {
		rows[i] = chart.Row{Label: t.rows[i], Values: t.fields[i]}
		for _, f := range rowBy {
			rows[i].Highlight = rows[i].Highlight || slices.Contains(p.Highlight, t.keys[i][f])
		}
	}
	for _, h := range p.Highlight {
		if !slices.ContainsFunc(t.keys, func(k map[string]string) bool {
			return slices.ContainsFunc(rowBy, func(f string) bool { return k[f] == h })
		}) {
			return nil, fmt.Errorf("highlight: there is no %q in the picture", text.Plain(h))
		}
	}
	var out []Drawn
	end, most := chart.GroupedEnd(rows), chart.MostRows(len(names))
	parts := (len(rows) + most - 1) / most
	for k := range parts {
		part := rows[k*len(rows)/parts : (k+1)*len(rows)/parts]
		one := w
		if parts > 1 {
			one.Name, one.Title = fmt.Sprintf("%s-%d", w.Name, k+1), fmt.Sprintf("%s (%d of %d)", w.Title, k+1, parts)
		}
		x := Drawn{
			Chart: chart.Grouped(one, names, first.Decimals, end, part),
			Table: [][]string{{"name", "series", "value", "low", "high"}},
		}
		held := d.held(cells, rowBy)
		if first.Sensor {
			x.Table[0] = append(x.Table[0], "throttled")
		}
		for _, r := range part {
			for j, f := range r.Values {
				line := numbers(r.Label, names[j], f)
				if first.Sensor {
					line = append(line, held[r.Label])
				}
				x.Table = append(x.Table, line)
			}
		}
		out = append(out, x)
	}
	return out, nil
}

// numbers are a line of a picture's table; an empty number is not known.
func numbers(name, series string, f analysis.Figure) []string {
	value := func(x float64) string {
		if f.N == 0 || !analysis.Number(x).Known() {
			return ""
		}
		return fmt.Sprintf("%.6g", x)
	}
	return []string{name, series, value(f.Value()), value(float64(f.CILow)), value(float64(f.CIHigh))}
}

func (d drawer) lines(p Picture, cells []analysis.Cell) ([]Drawn, error) {
	m, err := d.measure(p.Figures[0])
	if err != nil {
		return nil, err
	}
	if p.Series == "" {
		if p.Series = record.TagProcessor; p.By == record.TagProcessor ||
			len(d.levels(cells, record.TagProcessor)) < 2 {
			p.Series = record.TagGraphics
		}
	}
	if p.By == p.Series {
		return nil, fmt.Errorf("by and series are both %s", text.Plain(p.By))
	}
	t := d.grid(cells, []string{p.By}, p.Series, m)
	if err := t.drawable(); err != nil {
		return nil, err
	}
	if p.Order == "" && p.By != record.TagGraphics && p.By != record.TagProcessor {
		p.Order = "plan"
	}
	t.order(p, m, d)
	if p.Order != "plan" && p.Order != "listed" { // lines rise to the right
		slices.Reverse(t.rows)
		slices.Reverse(t.keys)
		slices.Reverse(t.fields)
	}
	w := d.words(
		p,
		cells,
		[]string{p.By, p.Series},
		fmt.Sprintf("%s by %s", strings.ToUpper(m.Text[:1])+m.Text[1:], said(p.By)),
		m,
		t,
	)
	x := Drawn{Table: [][]string{{"name", "series", "value", "low", "high"}}}
	var lines []chart.Line
	place := d.Options.Positions(d.Cells, p.Series)
	for k, s := range t.series {
		l := chart.Line{Name: s, Place: place[s]}
		for i := range t.rows {
			l.Points = append(l.Points, t.fields[i][k])
			x.Table = append(x.Table, numbers(t.rows[i], s, t.fields[i][k]))
		}
		lines = append(lines, l)
	}
	if len(lines) > 12 {
		return nil, fmt.Errorf("%d lines cannot be told apart; select some of %s", len(lines), p.Series)
	}
	x.Chart = chart.Curves(w, t.rows, lines)
	return []Drawn{x}, nil
}
