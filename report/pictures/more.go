package pictures

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path"
	"slices"
	"strings"
	"sync"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/internal/folder"
	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/report/chart"
	"capd.example/stats"
)

// standard is the good set: for each resolution one picture over all games, one for each game
// with its resolutions, scaling by card and by preset, a map of margins, percentile curves, before
// and after where a driver or the campaign varies, and what sensors told of power, heat and clocks.
func (d drawer) standard() (out []Picture) {
	d.Cells = slices.DeleteFunc(slices.Clone(d.Cells), func(c analysis.Cell) bool { return !measured(c) })
	by := d.standardBy()
	if len(d.levels(d.Cells, by)) == 0 {
		return nil
	}
	screens := d.levels(d.Cells, record.TagResolution)
	if len(screens) == 0 {
		screens = []string{""}
	}
	out = append(out, d.ofGames(by, screens)...)
	out = append(out, d.ofScaling(by, screens)...)
	if len(d.levels(d.Cells, by)) > 1 {
		out = append(out, Picture{Kind: Margins, Name: "margins", By: by})
	}
	if d.Frames != nil {
		out = append(out, Picture{Kind: Percentiles, Name: "percentiles", By: by, Levels: d.ofCurves(by)})
	}
	for _, f := range []string{record.TagDriver, record.TagCampaign} {
		if l := d.levels(d.Cells, f); slices.Contains(d.Factors, f) && len(l) > 1 {
			out = append(out, Picture{Kind: Change, Name: "change-" + f, By: f, Base: l[0]})
		}
	}
	out = append(out, d.ofSensors(by, screens)...)
	for i := range out {
		if out[i].Figures != nil {
			continue
		}
		if out[i].Figures = []string{analysis.Average}; out[i].Kind == Bars && out[i].Series == "" {
			out[i].Figures = append(out[i].Figures, analysis.Low1)
		}
	}
	return out
}

// ofCurves selects the game and resolution in which most rows were measured, of equals the first
// game and the last resolution, and no more rows than can be told apart.
func (d drawer) ofCurves(by string) map[string][]string {
	var best []analysis.Cell
	levels := map[string][]string{}
	order := slices.Clone(d.Cells)
	game, screen := d.Options.Order(record.TagGame), d.Options.Order(record.TagResolution)
	slices.SortStableFunc(order, func(a, b analysis.Cell) int {
		return cmp.Or(game(a.Factors[record.TagGame], b.Factors[record.TagGame]),
			screen(b.Factors[record.TagResolution], a.Factors[record.TagResolution]))
	})
	most := 0
	for k, list := range grouped(order, record.TagGame, record.TagResolution) {
		rows := map[string]bool{}
		for _, c := range list {
			if c.Factors[by] != "" {
				rows[analysis.FactorKey(c.Factors, []string{by, record.TagProcessor})] = true
			}
		}
		if k == 0 || len(rows) > most {
			best, most = list, len(rows)
		}
	}
	for _, f := range []string{record.TagGame, record.TagResolution} {
		if v := best[0].Factors[f]; v != "" {
			levels[f] = []string{v}
		}
	}
	const mostRows, mostLevels = 12, 8
	if l := d.levels(best, record.TagProcessor); by != record.TagProcessor && most > mostRows && len(l) > 1 {
		most := 0
		for _, v := range l {
			of := slices.DeleteFunc(slices.Clone(best), func(c analysis.Cell) bool { return c.Factors[record.TagProcessor] != v })
			if n := len(d.levels(of, by)); n > most {
				most, levels[record.TagProcessor] = n, []string{v}
			}
		}
		if v := levels[record.TagProcessor]; v != nil {
			best = slices.DeleteFunc(slices.Clone(best), func(c analysis.Cell) bool { return c.Factors[record.TagProcessor] != v[0] })
		}
	}
	if l := d.levels(best, by); len(l) > mostLevels {
		levels[by] = l[:mostLevels]
	}
	return levels
}

// grouped parts cells by the levels of factors, in the order of their first cells.
func grouped(cells []analysis.Cell, factors ...string) (out [][]analysis.Cell) {
	at := map[string]int{}
	for _, c := range cells {
		key := analysis.FactorKey(c.Factors, factors)
		i, ok := at[key]
		if !ok {
			i, at[key] = len(out), len(out)
			out = append(out, nil)
		}
		out[i] = append(out[i], c)
	}
	return out
}

// standardBy is the factor whose levels are compared: cards, else processors, else the first
// that varies.
func (d drawer) standardBy() string {
	cards, cpus := d.levels(d.Cells, record.TagGraphics), d.levels(d.Cells, record.TagProcessor)
	switch {
	case len(cards) < 2 && len(cpus) > 1:
		return record.TagProcessor
	case len(cards) > 0 || len(cpus) > 0:
		return record.TagGraphics
	}
	for _, f := range d.Factors {
		if len(d.levels(d.Cells, f)) > 1 {
			return f
		}
	}
	return record.TagGraphics
}

// only selects one level of a factor, all where it is "".
func only(f, level string) map[string][]string {
	if level == "" {
		return nil
	}
	return map[string][]string{f: {level}}
}

// ofGames are bars over all games for each resolution, and for each game by itself.
func (d drawer) ofGames(by string, screens []string) (out []Picture) {
	games := d.levels(d.Cells, record.TagGame)
	if len(games) == 0 {
		return []Picture{{Kind: Bars, Name: "all", By: by}}
	}
	for i, s := range screens {
		if len(games) > 1 {
			out = append(
				out,
				Picture{
					Kind:   Bars,
					Name:   fmt.Sprintf("all-games-%d", i+1),
					By:     by,
					Levels: only(record.TagResolution, s),
				},
			)
		}
	}
	for i, g := range games {
		p := Picture{Kind: Bars, Name: fmt.Sprintf("game-%d", i+1), By: by, Levels: only(record.TagGame, g)}
		if len(screens) > 1 && len(screens) <= 4 {
			p.Series = record.TagResolution
		}
		out = append(out, p)
	}
	return out
}

// ofScaling are lines over cards and over presets.
func (d drawer) ofScaling(by string, screens []string) (out []Picture) {
	cards, cpus := d.levels(d.Cells, record.TagGraphics), d.levels(d.Cells, record.TagProcessor)
	for i, s := range screens {
		if len(cards) > 1 && len(cpus) > 1 && len(cpus) <= 12 {
			out = append(out, Picture{Kind: Lines, Name: fmt.Sprintf("scaling-card-%d", i+1), By: record.TagGraphics,
				Series: record.TagProcessor, Levels: only(record.TagResolution, s)})
		}
	}
	if len(d.levels(d.Cells, record.TagPreset)) > 1 && len(d.levels(d.Cells, by)) <= 12 {
		out = append(out, Picture{Kind: Lines, Name: "scaling-preset", By: record.TagPreset, Series: by})
	}
	return out
}

// settleBase takes the first level as the base where none is ordered.
func (p *Picture) settleBase(levels []string) error {
	if len(levels) < 2 {
		return fmt.Errorf("by: the selected cells have fewer than two levels of %s: select more, or order another factor", p.By)
	}
	if p.Base == "" {
		p.Base = levels[0]
	}
	if !slices.Contains(levels, p.Base) {
		return fmt.Errorf(
			"base: %s is no level of %s; there are: %s",
			text.Plain(p.Base),
			p.By,
			text.Plain(strings.Join(levels, ", ")),
		)
	}
	return nil
}

// margins draws a map of the differences to a base, by the settings that vary.
func (d drawer) margins(p Picture, cells []analysis.Cell) ([]Drawn, error) {
	m, ok := analysis.MetricNamed(p.Figures[0])
	if !ok {
		return nil, fmt.Errorf("margins are of a figure of frame times, not of %q", text.Plain(p.Figures[0]))
	}
	columns := d.levels(cells, p.By)
	if err := p.settleBase(columns); err != nil {
		return nil, err
	}
	columns = slices.DeleteFunc(columns, func(l string) bool { return l == p.Base })
	o := d.Options
	o.Factors = d.Factors
	list, err := compare.Margins(cells, p.By, p.Base, m.Name, o)
	if err != nil {
		return nil, err
	}
	rest := slices.DeleteFunc(
		analysis.Without(d.Factors, p.By),
		func(f string) bool { return len(d.levels(cells, f)) < 2 },
	)
	var rows [][]string
	var fields [][]chart.HeatCell
	at, most := map[string]int{}, math.Log(1.1)
	x := Drawn{Table: [][]string{{"name", p.By, "margin_percent", "low", "high", "result"}}}
	for _, k := range list {
		if k.Call == compare.Faster || k.Call == compare.Slower {
			most = math.Max(most, math.Abs(math.Log1p(float64(k.Margin))))
		}
	}
	for _, k := range list {
		column := slices.Index(columns, k.Value)
		if column < 0 {
			continue
		}
		key := analysis.FactorKey(k.Factors, rest)
		i, ok := at[key]
		if !ok {
			i = len(rows)
			at[key] = i
			var name []string
			for _, f := range rest {
				name = append(name, k.Factors[f])
			}
			if len(name) == 0 {
				name = []string{"all"}
			}
			rows, fields = append(rows, name), append(fields, make([]chart.HeatCell, len(columns)))
		}
		f := chart.HeatCell{Text: compare.Signed(k.Margin, analysis.Undefined, analysis.Undefined), Value: math.NaN()}
		switch k.Call {
		case compare.Tie:
			f.Text = fmt.Sprintf("≤ %.1f", math.Ceil(1000*float64(k.AtMost))/10)
		case compare.Undecided:
			f.Text += " ?"
		default:
			f.Value = math.Log1p(float64(k.Margin)) / most
		}
		fields[i][column] = f
		number := func(x analysis.Number) string {
			if !x.Known() {
				return ""
			}
			return fmt.Sprintf("%.6g", 100*float64(x))
		}
		x.Table = append(
			x.Table,
			[]string{
				strings.Join(rows[i], " / "),
				k.Value,
				number(k.Margin),
				number(k.CILow),
				number(k.CIHigh),
				k.Statement,
			},
		)
	}
	w := d.words(p, cells, []string{p.By}, "Differences to "+p.Base+" in per cent", metric(m), table{})
	w.Note = strings.TrimSuffix(
		w.Note,
		"More is better.",
	) + strings.ToUpper(
		m.Text[:1],
	) + m.Text[1:] + "; the fuller the colour, the larger the difference."
	heads := make([][]string, len(columns))
	for i, c := range columns {
		heads[i] = []string{c}
	}
	const mostRows = 14
	key := []chart.Sign{chart.MapSign(1, "+", "more (blue, +)"), chart.MapSign(-1, "-", "less (orange, -)"),
		chart.MapSign(
			math.NaN(),
			"≤",
			"no difference: at most so much (≤)",
		), chart.MapSign(math.NaN(), "?", "perhaps none (?)")}
	var out []Drawn
	parts := (len(rows) + mostRows - 1) / mostRows
	for k := range parts {
		from, to := k*len(rows)/parts, (k+1)*len(rows)/parts
		name, title := w.Name, w.Title
		if parts > 1 {
			name, title = fmt.Sprintf("%s-%d", name, k+1), fmt.Sprintf("%s (%d of %d)", title, k+1, parts)
		}
		y := Drawn{
			Chart: chart.Heat(
				name,
				title,
				w.Note,
				key,
				chart.HeatMap{Rows: rows[from:to], Columns: heads, Fields: fields[from:to]},
			),
		}
		if k == 0 {
			y.Table = x.Table
		}
		out = append(out, y)
	}
	return out, nil
}

// shares are the percentiles of the curves.
var shares = []float64{0.5, 0.75, 0.9, 0.95, 0.99, 0.995, 0.999}

// slow returns the percentiles of a cell: means over its passes.
func (d drawer) slow(c analysis.Cell) ([]analysis.Figure, error) {
	out := make([]analysis.Figure, len(shares))
	for i := range out {
		out[i] = analysis.Figure{Shown: "mean", CILow: analysis.Undefined, CIHigh: analysis.Undefined}
	}
	for _, u := range c.Passes.Used {
		ms, err := d.Frames(u.ID)
		if err != nil {
			return nil, err
		}
		if len(ms) == 0 {
			continue
		}
		sorted := slices.Sorted(slices.Values(ms))
		for i, q := range shares {
			v, err := stats.QuantileSorted(sorted, q, 7)
			if err != nil {
				return nil, err
			}
			f := &out[i]
			f.N++
			f.Mean += (analysis.Number(v) - f.Mean) / analysis.Number(f.N)
		}
	}
	return out, nil
}

// percentiles draws how long the slow frames are: of each cell the means over the passes that
// count of each pass's own percentiles (Hyndman and Fan, type 7), over cells as in [drawer.grid].
func (d drawer) percentiles(p Picture, cells []analysis.Cell) ([]Drawn, error) {
	if d.Frames == nil {
		return nil, fmt.Errorf("the frame times of the passes are not at hand")
	}
	rowBy := d.rowsBy(p, cells)
	of := map[string][]analysis.Figure{} // by cell
	for _, c := range cells {
		list, err := d.slow(c)
		if err != nil {
			return nil, err
		}
		of[analysis.FactorKey(c.Factors, d.Factors)] = list
	}
	tables := make([]table, len(shares))
	for i := range shares {
		tables[i] = d.grid(cells, rowBy, "", Measure{Of: func(c analysis.Cell) analysis.Figure {
			return of[analysis.FactorKey(c.Factors, d.Factors)][i]
		}})
	}
	t := tables[0] // all have the same rows
	if err := t.drawable(); err != nil {
		return nil, err
	}
	if len(t.rows) > 12 {
		return nil, fmt.Errorf("%d curves cannot be drawn; select from 1 to 12", len(t.rows))
	}
	x := Drawn{Table: [][]string{{"name", "percentile", "frame_ms"}}}
	places := make([]string, len(shares))
	for i, q := range shares {
		places[i] = fmt.Sprintf("%g %%", 100*q)
	}
	varies := slices.DeleteFunc(slices.Clone(rowBy), func(f string) bool {
		return !slices.ContainsFunc(t.keys, func(r map[string]string) bool { return r[f] != t.keys[0][f] })
	})
	var lines []chart.Line
	for k, name := range t.rows {
		l := chart.Line{Name: name, Place: k}
		if len(varies) == 1 {
			l.Place = d.Options.Positions(d.Cells, varies[0])[t.keys[k][varies[0]]]
		}
		for i := range shares {
			f := tables[i].fields[k][0]
			l.Points = append(l.Points, f)
			x.Table = append(x.Table, []string{name, fmt.Sprintf("%g", 100*shares[i]), fmt.Sprintf("%.6g", f.Value())})
		}
		lines = append(lines, l)
	}
	w := d.words(p, cells, rowBy, "How long slow frames are", Measure{Unit: "ms", Fewer: true}, t)
	w.Note = strings.Replace(w.Note, "Less is better",
		"So many per cent of the frames took no longer; means over the passes. Lower is better", 1)
	x.Chart = chart.Curves(w, places, lines)
	return []Drawn{x}, nil
}

// change draws by how much each game changed from one level of a factor to the others, and the
// mean over them.
func (d drawer) change(p Picture, cells []analysis.Cell) ([]Drawn, error) {
	m, ok := analysis.MetricNamed(p.Figures[0])
	if !ok {
		return nil, fmt.Errorf("changes are of a figure of frame times, not of %q", text.Plain(p.Figures[0]))
	}
	levels := d.levels(cells, p.By)
	if err := p.settleBase(levels); err != nil {
		return nil, err
	}
	var out []Drawn
	drawn := 0
	for _, after := range levels {
		if after == p.Base {
			continue
		}
		both := slices.DeleteFunc(
			slices.Clone(cells),
			func(c analysis.Cell) bool { return c.Factors[p.By] != p.Base && c.Factors[p.By] != after },
		)
		matrix := analysis.NewMatrix(both, d.Factors)
		rows, _ := matrix.Common(p.By, nil)
		if len(rows) == 0 {
			continue
		}
		drawn++
		var numbers [][]string
		var list []chart.Change
		add := func(name string, own []map[string]string, sum bool) {
			c := matrix.Contrast(m.Name, p.By, after, p.Base, own)
			if math.IsNaN(c.Log) || len(own) == 0 {
				return
			}
			k := chart.Change{
				Label:     name,
				By:        math.Expm1(c.Log),
				Low:       math.NaN(),
				High:      math.NaN(),
				Sum:       sum,
				Highlight: slices.Contains(p.Highlight, name),
			}
			line := []string{name, fmt.Sprintf("%.6g", 100*k.By), "", ""}
			if c.Known() {
				low, high := c.Interval(1 - d.Options.WithDefaults().Confidence)
				k.Low, k.High, k.Shown = float64(low), float64(high), low > 0 || high < 0
				line[2], line[3] = fmt.Sprintf("%.6g", 100*k.Low), fmt.Sprintf("%.6g", 100*k.High)
			}
			list, numbers = append(list, k), append(numbers, line)
		}
		games := d.levels(both, record.TagGame)
		for _, g := range games {
			add(
				g,
				slices.DeleteFunc(slices.Clone(rows), func(r map[string]string) bool { return r[record.TagGame] != g }),
				false,
			)
		}
		if len(games) != 1 {
			add("all", rows, true)
		}
		one := p
		if len(levels) > 2 {
			one.Name = fmt.Sprintf("%s-%d", p.Name, drawn)
		}
		w := d.words(one, both, []string{p.By}, fmt.Sprintf("%s against %s", after, p.Base), metric(m), table{})
		w.Note = strings.Replace(w.Note, "More is better", "Change of the "+m.Text+" in per cent", 1)
		const mostRows = 21 // twenty games and all of them
		parts := (len(list) + mostRows - 1) / mostRows
		for k := range parts {
			from, to := k*len(list)/parts, (k+1)*len(list)/parts
			page := w
			if parts > 1 {
				page.Name, page.Title = fmt.Sprintf("%s-%d", w.Name, k+1), fmt.Sprintf("%s (%d of %d)", w.Title, k+1, parts)
			}
			out = append(out, Drawn{
				Chart: chart.Changes(page, chart.ChangesEnd(list), list[from:to]),
				Table: append([][]string{{"name", "change_percent", "low", "high"}}, numbers[from:to]...),
			})
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("no cell was measured with %s = %q and with another", p.By, text.Plain(p.Base))
	}
	return out, nil
}

// List is the file that names the others of a set of pictures.
const List = "pictures.json"

// described is what stands in it.
type described struct {
	Name  string    `json:"name"`
	Files []written `json:"files"`
}

// written is a file as it was written.
type written struct {
	Path   string `json:"path"`
	SHA256 string `json:"sha256"`
}

const setName = "bench-pictures"

// WriteInto writes pictures into a folder in place of those of an earlier set, of which none
// stay; a file that is not of one, or was changed since, is never written over. What was changed
// and is in the new set's way is an error, what is not is left there and told.
func WriteInto(dir string, list []Drawn, spec Spec, notice func(format string, args ...any)) error {
	before := earlier(dir)
	to, err := folder.Open(dir, Ours(dir))
	if err != nil {
		return err
	}
	defer to.Close()
	done := map[string]bool{}
	err = Files(list, spec, func(name string, data []byte) error {
		done[name] = true
		if sum, there := sumOf(dir, name); there && before[name] != "" && sum != before[name] {
			return fmt.Errorf("someone changed %s in %s since it was drawn: move it away, or name another folder", name, dir)
		}
		return to.Put(name, data)
	})
	if err == nil {
		err = to.Commit(List)
	}
	if err == nil {
		folder.Clear(dir, before, done, "set of pictures", notice)
	}
	return err
}

// Ours says which files in a folder an earlier set of pictures wrote, by its list, and are as they
// were written; none where there is no list.
func Ours(dir string) func(path string) bool {
	before := earlier(dir)
	return func(path string) bool {
		if path == List {
			return before != nil
		}
		sum, there := sumOf(dir, path)
		return there && sum == before[path]
	}
}

// earlier returns the files of the set in a folder with their SHA-256, nil where there is none.
func earlier(dir string) map[string]string {
	text, err := plainFile(dir, List)
	var d described
	if err != nil || json.Unmarshal(text, &d) != nil || d.Name != setName { // what is no list names nothing
		return nil
	}
	out := map[string]string{}
	for _, f := range d.Files {
		if end := path.Ext(f.Path); fileName.MatchString(strings.TrimSuffix(f.Path, end)) &&
			slices.Contains([]string{".svg", ".csv", ".png"}, end) {
			out[f.Path] = f.SHA256
		}
	}
	return out
}

func sumOf(dir, name string) (sum string, there bool) {
	data, err := plainFile(dir, name)
	return fmt.Sprintf("%x", sha256.Sum256(data)), err == nil
}

// plainFile reads a file of a folder; no link leads out of it.
func plainFile(dir, name string) ([]byte, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	if info, err := root.Lstat(name); err != nil || !info.Mode().IsRegular() {
		return nil, cmp.Or(err, os.ErrInvalid)
	}
	return root.ReadFile(name)
}

// Files hands out the files of pictures by their names, four for each: SVG, CSV and PNG, and
// last their list.
func Files(list []Drawn, spec Spec, put func(name string, data []byte) error) error {
	all := described{Name: setName}
	const atOnce = 2 // a picture of 3840 x 2160 takes 33 MB while it is drawn
	for first := 0; first < len(list); first += atOnce {
		some := list[first:min(len(list), first+atOnce)]
		type file struct {
			name string
			data []byte
			err  error
		}
		made := make([][]file, len(some))
		var wg sync.WaitGroup
		for i, x := range some {
			wg.Go(func() {
				c := x.Chart.WideIn(spec.Theme)
				made[i] = append(made[i], file{x.Chart.Name + ".svg", []byte(c.SVG(x.Chart.Name, true)), nil})
				if x.Table != nil {
					data, err := asCSV(x.Table)
					made[i] = append(made[i], file{x.Chart.Name + ".csv", data, err})
				}
				for _, scale := range spec.Sizes {
					data, err := c.PNG(scale, false)
					made[i] = append(
						made[i],
						file{fmt.Sprintf("%s-%.0fx%.0f.png", x.Chart.Name, 1920*scale, 1080*scale), data, err},
					)
				}
			})
		}
		wg.Wait()
		for _, files := range made {
			for _, f := range files {
				if f.err != nil {
					return f.err
				}
				all.Files = append(all.Files, written{f.name, fmt.Sprintf("%x", sha256.Sum256(f.data))})
				if err := put(f.name, f.data); err != nil {
					return err
				}
			}
		}
	}
	text, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return fmt.Errorf("list the pictures: %w", err)
	}
	return put(List, append(text, '\n'))
}

// asCSV writes a picture's numbers; a text that a spreadsheet would take for a formula has an
// apostrophe in front.
func asCSV(rows [][]string) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	for i, row := range rows {
		line := slices.Clone(row)
		for j, v := range line {
			if i > 0 && j > 0 && isNumber(v) {
				continue
			}
			line[j] = text.Cell(v)
		}
		if err := w.Write(line); err != nil {
			return nil, fmt.Errorf("write the numbers of a picture: %w", err)
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

func isNumber(s string) bool {
	var x float64
	n, err := fmt.Sscanf(s+"\n", "%g\n", &x)
	return n == 1 && err == nil
}
