package main

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/report"
)

// compareCmd is `capctl compare`.
type compareCmd struct {
	By     string `placeholder:"FACTOR" help:"The factor in which the compared cells differ: gpu, cpu, preset ... (default: the first of gpu, cpu and the others that has several values)."`
	Base   string `placeholder:"VALUE" help:"The value to compare with (default: every pair)."`
	Metric string `default:"avg_fps" placeholder:"FIGURE" help:"The figure to compare: avg_fps, low1_fps ..."`
	Tie    string `placeholder:"PERCENT" help:"A difference that is shown to be smaller is a tie (default: analysis.tie_percent, 1). 'auto' takes what the passes resolve."`
	Across bool   `help:"Combine the games by the geometric mean of their ratios."`
	outputFlags
	filterFlags
	analysisFlags
}

func (c *compareCmd) Run(a *app) error {
	tie, err := c.tie()
	if err != nil {
		return err
	}
	if err := knownFigure(c.Metric); err != nil {
		return err
	}
	var by []string
	if c.By != "" {
		by = []string{c.By}
	}
	cells, o, sel, err := c.cells(a, c.filterFlags, by...)
	if err != nil {
		return err
	}
	if tie > 0 {
		o.Tie = tie / 100
	}
	gaps(a, cells)
	levels := levelsOf(cells, selection.FactorsOf(o))
	chosen := c.By == ""
	if chosen {
		c.By = levels.first(c.Base)
	}
	if err := levels.check(c.By, c.Base); err != nil {
		return err
	}
	if chosen {
		safe.Fprintf(a.stderr, "capctl: compared by %s; choose another factor with --by (%s)\n", c.By, levels)
	}
	margins, err := analysis.Compare(cells, c.By, c.Base, c.Metric, o)
	if auto := analysis.ResolvedTie(margins, o); err == nil && c.Tie == autoTie && auto.Known() {
		o.Tie = float64(auto)
		margins, err = analysis.Compare(cells, c.By, c.Base, c.Metric, o)
	}
	if err != nil {
		return cli.UsageError(err, "'capctl passes' lists what there is")
	}
	if len(margins) == 0 {
		safe.Fprintf(a.stderr, "capctl: nothing to compare: %s\n", levels.why(c.By, c.Base))
		for _, h := range levels.hints(c.By) {
			a.say("hint: %s", h)
		}
	}
	if c.Across {
		err = c.totals(a, analysis.Totals(margins, o), o)
	} else {
		err = c.margins(a, margins, o)
	}
	if err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.JSON, cells)
}

func (c *compareCmd) margins(a *app, margins []analysis.Margin, o analysis.Options) error {
	headings := table.Row{"cell", c.By, "against", "margin", "margin " + o.ConfidencePercent(), "result", "why"}
	both := slices.ContainsFunc(margins, analysis.Margin.BothKnown)
	if both {
		headings = slices.Insert(headings, 5, any("in one session"))
	}
	c.head(a, analysis.SessionsOfMargins(margins, o))
	c.head(a, analysis.TieNote(margins, o))
	return emit(a, c.outputFlags, margins, headings, func(m analysis.Margin) table.Row {
		row := table.Row{m.Name(), m.Value, m.Base, analysis.WholePercent(m.Margin), percentRange(m.CILow, m.CIHigh), m.Call,
			strings.Join(append([]string{m.Reason}, m.Warnings...), "; ")}
		if both {
			row = slices.Insert(row, 5, any(percentRange(m.SessionLow, m.SessionHigh)))
		}
		return row
	}, func() report.Table { return report.MarginTable(margins, selection.FactorsOf(o)) })
}

// autoTie asks for the threshold that the passes resolve.
const autoTie = "auto"

// tie returns the threshold of --tie in per cent, 0 where it names none.
func (c *compareCmd) tie() (float64, error) {
	if c.Tie == "" || c.Tie == autoTie {
		return 0, nil
	}
	x, err := strconv.ParseFloat(c.Tie, 64)
	if err != nil || !(x > 0 && x < 100) {
		return 0, cli.UsageError(fmt.Errorf("--tie %s is neither 'auto' nor a percentage above 0 and below 100", printable(c.Tie)))
	}
	return x, nil
}

// knownFigure refuses the name of a figure that there is not.
func knownFigure(name string) error {
	names := map[string]bool{}
	var list []string
	for _, m := range analysis.Metrics {
		names[m.Name] = true
		list = append(list, m.Name)
	}
	if names[name] {
		return nil
	}
	hints := []string{"figures: " + strings.Join(list, ", ")}
	if like := nearest(name, names); like != "" {
		hints = append([]string{"type: --metric " + like}, hints...)
	}
	return cli.UsageError(fmt.Errorf("there is no figure %q", name), hints...)
}

func percentRange(low, high analysis.Number) string {
	if !low.Known() || !high.Known() {
		return "-"
	}
	return fmt.Sprintf("%+.1f to %+.1f %%", 100*float64(low), 100*float64(high))
}

func (c *compareCmd) totals(a *app, totals []analysis.Total, o analysis.Options) error {
	headings := table.Row{"cells", c.By, "against", "geometric mean", "geometric mean " + o.ConfidencePercent(), "expected for other games", "result", "why", "games"}
	both := slices.ContainsFunc(totals, analysis.Total.BothKnown)
	if both {
		headings = slices.Insert(headings, 5, any("in one session"))
	}
	c.head(a, analysis.SessionsOfTotals(totals, o))
	return emit(a, c.outputFlags, totals, headings, func(t analysis.Total) table.Row {
		var games []string
		for _, g := range t.Games {
			games = append(games, fmt.Sprintf("%s %s (%s if left out)", g.Game, analysis.WholePercent(g.Margin), analysis.WholePercent(g.Without)))
		}
		row := table.Row{t.Name(), t.Value, t.Base, analysis.WholePercent(t.Margin), percentRange(t.CILow, t.CIHigh), percentRange(t.SpreadLow, t.SpreadHigh),
			t.Call, t.Reason, strings.Join(games, ", ")}
		if both {
			row = slices.Insert(row, 5, any(percentRange(t.SessionLow, t.SessionHigh)))
		}
		return row
	}, func() report.Table { return report.TotalTable(totals, selection.FactorsOf(o)) })
}

// levels are the values that each factor has in some cells, in their order.
type levels struct {
	factors []string
	of      map[string][]string
}

func levelsOf(cells []analysis.Cell, factors []string) levels {
	l := levels{factors, map[string][]string{}}
	for _, c := range cells {
		for _, f := range factors {
			if v := c.Factors[f]; v != "" && !slices.Contains(l.of[f], v) {
				l.of[f] = append(l.of[f], v)
			}
		}
	}
	return l
}

// first is the factor to compare by where none is named: the one that has the base, else
// one of several values.
func (l levels) first(base string) string {
	for _, f := range l.factors {
		if base != "" && slices.Contains(l.of[f], base) {
			return f
		}
	}
	for _, f := range append([]string{record.TagGraphics, record.TagProcessor}, l.factors...) {
		if slices.Contains(l.factors, f) && len(l.of[f]) > 1 {
			return f
		}
	}
	return l.factors[0]
}

// check refuses a factor or a base that no cell has, with those that there are.
func (l levels) check(by, base string) error {
	if !slices.Contains(l.factors, by) {
		return cli.UsageError(fmt.Errorf("there is no factor %q; there are %s", by, strings.Join(l.factors, ", ")), meant("--by", by, l.factors),
			"--factor NAME makes a tag of your own one")
	}
	values := l.of[by]
	if base == "" || l.empty() || slices.Contains(values, base) {
		return nil
	}
	const most = 12
	if len(values) == 0 {
		return cli.UsageError(fmt.Errorf("no cell has %s = %q: no selected pass has the tag %s", by, base, by), "factors with values: "+l.String())
	}
	there := printable(strings.Join(values[:min(len(values), most)], ", "))
	if n := len(values) - most; n > 0 {
		there += fmt.Sprintf(" and %d more", n)
	}
	return cli.UsageError(fmt.Errorf("no cell has %s = %q; %s is one of: %s", by, base, by, there), meant("--base", base, values))
}

// meant is what to type in place of a slip, else the option with the first that there is.
func meant(option, said string, known []string) string {
	names := map[string]bool{}
	for _, k := range known {
		names[k] = true
	}
	return "type: " + option + " " + quoted(cmp.Or(nearest(said, names), known[0]))
}

// String says how many values each factor has: "gpu: 2 values, cpu: 1 value".
func (l levels) String() string {
	out := make([]string, len(l.factors))
	for i, f := range l.factors {
		out[i] = f + ": " + record.Count(len(l.of[f]), "value")
	}
	return strings.Join(out, ", ")
}

// why says why no two cells differ in the factor alone.
func (l levels) why(by, base string) string {
	switch n := len(l.of[by]); {
	case n == 0 && l.empty():
		return "no pass is selected"
	case n == 0:
		return "no selected pass has the tag " + by
	case n == 1:
		return fmt.Sprintf("%s has one value, %s", by, l.of[by][0])
	case base != "":
		return fmt.Sprintf("no cell differs from a cell with %s in %s alone", base, by)
	}
	return fmt.Sprintf("no two cells differ in %s alone", by)
}

func (l levels) empty() bool {
	for _, v := range l.of {
		if len(v) > 0 {
			return false
		}
	}
	return true
}

// hints are what to type instead.
func (l levels) hints(by string) []string {
	if l.empty() {
		return []string{"'capctl passes' lists what there is"}
	}
	var out []string
	if v := l.of[by]; len(v) > 1 {
		out = append(out, fmt.Sprintf("values of %s: %s", printable(by), printable(strings.Join(v[:min(len(v), 12)], ", "))), fmt.Sprintf("type: capctl compare --by=%s --base=%s", quoted(by), quoted(v[0])))
	}
	for _, f := range l.factors {
		if f != by && len(l.of[f]) > 1 {
			out = append(out, "type: capctl compare --by="+quoted(f))
			break
		}
	}
	return append(out, l.String(), "'capctl cells' lists the cells")
}

// quoted is a value as one types it.
func quoted(s string) string { return cli.Quoted(s) }
