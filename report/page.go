package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"slices"
	"sort"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	readable "capd.example/internal/text"
	"capd.example/record"
	"capd.example/report/chart"
)

//go:embed page.html
var pageText string

//go:embed page.css
var pageCSS string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"percent": func(n analysis.Number) string {
		if !n.Known() {
			return "–"
		}
		return fmt.Sprintf("%.2f %%", 100*float64(n))
	},
	"signed": func(n analysis.Number) string {
		if !n.Known() {
			return "–"
		}
		return fmt.Sprintf("%+.1f %%", 100*float64(n))
	},
	"sentence": func(s string) string { return strings.TrimRight(s, ". ") + "." }, // validators end theirs as they like
	"whole": func(n analysis.Number) string {
		if !n.Known() {
			return "–"
		}
		return compare.Signed(n, analysis.Undefined, analysis.Undefined) + " %"
	},
	"one": func(n analysis.Number) string {
		if !n.Known() {
			return "–"
		}
		return fmt.Sprintf("%.1f", float64(n))
	},
	"two": func(n analysis.Number) string {
		if !n.Known() {
			return "–"
		}
		return fmt.Sprintf("%.2f", float64(n))
	},
	"share": func(l limit.Limit) string {
		if !l.Share.Known() {
			return "–"
		}
		if !l.ShareLow.Known() || !l.ShareHigh.Known() {
			return fmt.Sprintf("%.2f", float64(l.Share))
		}
		return fmt.Sprintf("%.2f (%.2f to %.2f)", float64(l.Share), float64(l.ShareLow), float64(l.ShareHigh))
	},
	"few":    func(rows int) bool { return rows <= fewRows },
	"spoken": spoken,
	"join":   strings.Join,
	"count":  record.Count,
}).Parse(pageText))

// page is what the template is given.
type page struct {
	*Report
	Title, Made, Version string
	Day                  string // on which it was made
	Program              []fact // that made it
	CSS                  template.CSS
	Systems              disclosure
	Rows                 []cellRow
	Groups               []figureGroup
	More                 []figure // that are files only
	PassRows             []passRow
	PassCount            string // how many there are, and why some do not count
	Notes                []note // why several passes were not checked
	Counts               counts
	Hz                   []float64
	HoldRows             []holdRow
	Kinds                []string // the factors in words
	Tie                  string
	Interval             string // how sure the intervals are: "95 %"
	// What intervals hold for, and what a tie is.
	CellsHold, MarginsHold, TotalsHold, TieNote string
	Currency, PriceDate                         string
	Pictures                                    bool
	Common                                      string   // what all cells share
	Shared                                      []string // warnings that are for every cell
	Bounds                                      string   // how many cells are limited by what
	Calls                                       string   // how many margins are called what
	Untested                                    string   // why no cell could be tested
	Few                                         bool     // rows that need not be folded
	PowerHeads                                  []string
	PowerRows                                   []powerRow
	Spread                                      bool // games enough to tell of others
	Selection                                   []string
	Remarks                                     []remark // by the reviewer
}

type counts struct{ Cells, Passes, Used, LeftOut, Disagree int }

type cellRow struct {
	ID, Name      string
	Average, Low1 string
	AvgRange      string
	Known         string // the interval in words
	Low1Range     string
	Own           string // the interval of the cell alone
	InOne         string // the interval of repeats within one session, where another is shown
	SD, CV        string
	PowerHeads    []string
	PowerRows     []powerRow
	Spread        string
	Passes        []analysis.UsedPass
	LeftOut       []analysis.LeftOut
	Limit         analysis.Regime
	Agree         record.Finding
	Warnings      []string
	Others        []otherFigure
	Why           limit.Limit
	Remarks       []string
}

// holdRow is one cell with its answers for each refresh rate.
type holdRow struct {
	compare.Threshold
	Answers []compare.Threshold
}

// holdRows turns the answers, which come by refresh rate, into one row per cell.
func (r *Report) holdRows() (hz []float64, rows []holdRow) {
	n := len(r.Cells)
	for i := 0; n > 0 && i+n <= len(r.Holds); i += n {
		hz = append(hz, r.Holds[i].RefreshHz)
		for j, x := range r.Holds[i : i+n] {
			if i == 0 {
				rows = append(rows, holdRow{Threshold: x})
			}
			rows[j].Answers = append(rows[j].Answers, x)
		}
	}
	return hz, rows
}

type otherFigure struct{ Name, Value, Range string }

type figure struct {
	File  string
	Title string
	SVG   template.HTML
	Phone template.HTML // the same drawing for a narrow screen
	PNG   bool
}

// figureGroup is the charts that stand under one heading.
type figureGroup struct {
	Title   string
	Figures []figure
}

type passRow struct {
	record.Pass
	Cell     string // its place in the page
	CellName string
	Findings []record.Finding // those that are not plainly fine
	Noted    []string         // checks that could not look, with the numbers of the notes that say why
	Fine     int
	Average  string
	Path     string // of the log, below what all logs have in common
}

// drawnInPage keeps the page of a very large matrix readable; further charts are files.
const drawnInPage = 60

// fewRows is how many rows of a long table stand unfolded (a convention).
const fewRows = 40

// Short names cells by the factors that vary in the report; the page says once what all
// share.
func (r *Report) Short(values map[string]string) string {
	var parts []string
	for _, f := range r.factors {
		if v := values[f]; v != "" && r.varies[f] {
			parts = append(parts, v)
		}
	}
	if len(parts) > 0 {
		return strings.Join(parts, " / ")
	}
	for _, f := range r.factors {
		if v := values[f]; v != "" {
			parts = append(parts, v)
		}
	}
	if len(parts) == 0 {
		return "(no tags)"
	}
	return strings.Join(parts, " / ")
}

// overall reports whether the charts of a group are of all settings together; those are in
// every page.
func overall(group string) bool {
	return group == groupMargins || group == groupCoverage || group == groupTraces
}

// html writes the page.
func (r *Report) html() ([]byte, error) {
	p := page{Report: r, Title: r.in.Title, Made: r.in.At.UTC().Format("2006-01-02 15:04 UTC"), Day: r.in.At.UTC().
		Format("2006-01-02"), Version: r.in.Program.short(), Program: r.in.Program.facts(),
		CSS: template.CSS(pageCSS + chart.CSS()), Kinds: kinds(r.factors), Pictures: r.in.Pictures > 0,
		Common: r.common(r.factors), Bounds: r.bounds(), Calls: r.calls(), Untested: r.whyUntested(),
		Spread: slices.ContainsFunc(r.Totals, func(t compare.Total) bool { return t.SpreadLow.Known() }),
		Few:    len(r.Cells) <= fewRows, Tie: together(r.tie()), Interval: together(r.in.Options.ConfidencePercent()),
		CellsHold:   analysis.SessionsOf(r.Cells, r.in.Options),
		MarginsHold: compare.SessionsOfMargins(r.Margins, r.in.Options),
		TotalsHold:  compare.SessionsOfTotals(r.Totals, r.in.Options), TieNote: compare.TieNote(r.Margins, r.in.Options)}
	p.Systems = newDisclosure(r.systems())
	where := map[string]cellRow{}
	p.Shared = analysis.WarnedOfAll(r.Cells)
	for i, c := range r.Cells {
		c.Warnings = slices.DeleteFunc(slices.Clone(c.Warnings), func(w string) bool { return slices.Contains(p.Shared, w) })
		row := newCellRow(i, c, r.Limits[i])
		row.Name = r.Short(c.Factors)
		if m := r.mark(c.Factors); m != "" {
			row.Remarks = append([]string{"(!) see “Before publishing”"}, row.Remarks...)
		}
		for _, u := range c.Passes.Used {
			where[u.ID] = row
		}
		for _, l := range c.Passes.LeftOut {
			where[l.ID] = row
		}
		p.Rows = append(p.Rows, row)
		p.Counts.Used += len(c.Passes.Used)
		p.Counts.LeftOut += len(c.Passes.LeftOut)
		if c.Agree.Outcome == record.Doubtful {
			p.Counts.Disagree++
		}
	}
	p.Counts.Cells, p.Counts.Passes = len(r.Cells), len(r.in.Passes)
	p.Selection, p.Remarks = r.in.Selection, r.remarks(p.Rows)
	settings := drawnInPage // what the charts over all settings leave
	for _, ch := range r.charts {
		if overall(ch.Group) {
			settings--
		}
	}
	for i, ch := range r.charts {
		if !overall(ch.Group) {
			settings--
		}
		if settings < 0 && !overall(ch.Group) {
			p.More = append(p.More, figure{File: ch.Name, Title: ch.Title, PNG: i < r.in.Pictures})
			continue
		}
		// The drawing escapes every text itself; nothing else in it is from outside.
		if n := len(p.Groups); n == 0 || p.Groups[n-1].Title != ch.Group {
			p.Groups = append(p.Groups, figureGroup{Title: ch.Group})
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Figures = append(g.Figures, figure{ch.Name, ch.Title, template.HTML(ch.InPage().SVG(ch.Name, false)),
			template.HTML(ch.OnPhone().SVG(ch.Name+"-narrow", false)), i < r.in.Pictures})
	}
	p.Hz, p.HoldRows = r.holdRows()
	p.PowerHeads, p.PowerRows = r.powerRows()
	p.PassCount = r.passCount(p.Counts)
	var at map[unchecked]int
	p.Notes, at = notes(r.in.Passes)
	above := commonFolder(r.in.Passes)
	for _, x := range r.in.Passes {
		row := newPassRow(x, where[x.ID], at)
		row.Path = x.Log[above:]
		p.PassRows = append(p.PassRows, row)
	}
	for _, x := range r.in.Prices {
		p.Currency, p.PriceDate = x.Currency, max(p.PriceDate, x.Date)
	}
	var b bytes.Buffer
	b.Grow(1<<20 + 3000*len(p.Rows) + 600*len(p.PassRows)) // about what it takes: no copies of a large page
	if err := pageTemplate.Execute(&b, p); err != nil {
		return nil, fmt.Errorf("write page: %w", err)
	}
	return []byte(readable.Lines(b.String())), nil // whoever named a log: nothing that hides or turns round what is read
}

// together keeps a number and its per cent on one line.
func together(s string) string { return strings.ReplaceAll(s, " %", "\u00a0%") }

// kinds are factors in words.
func kinds(factors []string) []string {
	out := slices.Clone(factors)
	for i, f := range out {
		switch f {
		case record.TagProcessor:
			out[i] = "processor"
		case record.TagGraphics:
			out[i] = "graphics card"
		}
	}
	return out
}

// commonFolder is the length of what all paths of logs begin with: where a bench keeps its
// logs is nothing to publish, and the names below tell the passes apart.
func commonFolder(passes []record.Pass) int {
	if len(passes) == 0 {
		return 0
	}
	first := passes[0].Log
	n := strings.LastIndexAny(first, `/\`) + 1
	for _, p := range passes {
		for n > 0 && !strings.HasPrefix(p.Log, first[:n]) {
			n = strings.LastIndexAny(first[:n-1], `/\`) + 1
		}
	}
	return n
}

// tie is the threshold below which a difference is one.
func (r *Report) tie() string {
	if r.in.Options.Tie > 0 {
		return fmt.Sprintf("%g %%", 100*r.in.Options.Tie)
	}
	return "1 %"
}

func newCellRow(i int, c analysis.Cell, l limit.Limit) cellRow {
	avg, low := c.Figure(analysis.Average), c.Figure(analysis.Low1)
	row := cellRow{ID: fmt.Sprintf("cell-%d", i+1), Average: chart.Shown(avg), Low1: chart.Shown(low),
		AvgRange:  interval(avg.CILow, avg.CIHigh),
		Low1Range: interval(low.CILow, low.CIHigh), Own: interval(avg.OwnLow, avg.OwnHi), Spread: avg.Spread.From,
		Passes: c.Passes.Used, LeftOut: c.Passes.LeftOut,
		Limit: l.Limit, Why: l, Agree: c.Agree, Warnings: c.Warnings, SD: "–", CV: "–"}
	if row.AvgRange != "–" {
		row.Known = row.AvgRange
	}
	if avg.BothKnown() {
		row.InOne = interval(avg.SessionLow, avg.SessionHigh)
	}
	if avg.SD.Known() {
		row.SD, row.CV = fmt.Sprintf("%.2f FPS", float64(avg.SD)), fmt.Sprintf("%.2f %%", 100*float64(avg.CV))
	}
	for _, m := range analysis.Metrics[2:] {
		row.Others = append(row.Others, newOther(m, c.Figure(m.Name)))
	}
	if c.Agree.Outcome == record.Doubtful {
		row.Remarks = append(row.Remarks, "passes disagree")
	}
	if n := len(c.Passes.LeftOut); n > 0 {
		row.Remarks = append(row.Remarks, fmt.Sprintf("%d left out", n))
	}
	row.Remarks = append(row.Remarks, c.Warnings...)
	return row
}

// newOther shows rates with one digit behind the point and frame times with two.
func newOther(m analysis.Metric, f analysis.Figure) otherFigure {
	digits := 2
	if m.Rate {
		digits = 1
	}
	out := otherFigure{m.Text, "–", "–"}
	if f.N > 0 {
		out.Value = fmt.Sprintf("%.*f", digits, f.Value())
	}
	if f.CILow.Known() && f.CIHigh.Known() {
		out.Range = fmt.Sprintf("%.*f to %.*f", digits, float64(f.CILow), digits, float64(f.CIHigh))
	}
	return out
}

func interval(low, high analysis.Number) string {
	if !low.Known() || !high.Known() {
		return "–"
	}
	return fmt.Sprintf("%.1f to %.1f", float64(low), float64(high))
}

func newPassRow(p record.Pass, cell cellRow, noted map[unchecked]int) passRow {
	row := passRow{Pass: p, Cell: cell.ID, CellName: cell.Name, Average: fmt.Sprintf("%.1f", p.Metrics.AvgFPS)}
	for _, f := range p.Findings {
		n := noted[unchecked{f.Check, f.Reason}]
		switch {
		case f.Outcome == record.OK:
			row.Fine++
		case f.Outcome == record.NotChecked && n > 0:
			row.Noted = append(row.Noted, fmt.Sprintf("%s (%d)", f.Check, n))
		default:
			row.Findings = append(row.Findings, f)
		}
	}
	sort.Strings(row.Noted)
	sort.SliceStable(row.Findings, func(i, j int) bool { return row.Findings[i].Check < row.Findings[j].Check })
	return row
}
