package main

import (
	"fmt"
	"slices"
	"strings"

	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/plugins/agreement"
	"capd.example/record"
	"capd.example/report"
)

// cellsCmd is `capctl cells`.
type cellsCmd struct {
	outputFlags
	filterFlags
	analysisFlags
}

// analysisFlags are what every command that draws conclusions takes.
type analysisFlags struct {
	Factor  []string `placeholder:"TAG" help:"Tags that make a cell (default: cpu, gpu, game, scene, resolution, preset). May be repeated."`
	Alone   bool     `help:"Judge by the selected passes alone; else the spread of the campaign's other passes, or of all, counts too."`
	Session *float64 `name:"session-sd" placeholder:"PERCENT" help:"Standard deviation of what a rebuild, a restart or another day shifts rates by, where it was not measured (default: analysis.session_sd_percent, unknown)."`
	scopeFlags
}

// options are the thresholds of the configuration.
func (f analysisFlags) options(a *app) analysis.Options {
	c := a.config.Analysis
	agreement, err := agreement.RuleOf(a.config.Checks.Params["agreement"])
	if err != nil {
		safe.Fprintf(a.stderr, "capctl: warning: checks.params: %v; its defaults hold\n", err)
	}
	session := c.SessionSDPercent
	if f.Session != nil {
		session = *f.Session
	}
	return analysis.Options{SessionSD: session / 100, Factors: f.Factor, Tie: c.TiePercent / 100, Confidence: c.Confidence, Alpha: c.Alpha, MinDF: c.MinDF,
		Homogeneity: c.Homogeneity, Agreement: agreement}
}

// cells returns the cells of the selected passes and what they rest on. A tag named by by
// is a factor where passes have it.
func (f analysisFlags) cells(a *app, filter filterFlags, by ...string) ([]analysis.Cell, analysis.Options, selection.Basis, error) {
	if f.Session != nil && !(*f.Session >= 0 && *f.Session < 100) {
		return nil, analysis.Options{}, selection.Basis{}, cli.UsageError(fmt.Errorf("--session-sd %g is no percentage from 0 to below 100", *f.Session))
	}
	o := f.options(a)
	sel, err := f.choose(a, filter, &o, by...)
	if err != nil {
		return nil, o, sel, err
	}
	if len(sel.Passes) == 0 && len(sel.LeftOut) == 0 {
		filter.noPass(a)
	}
	if err := f.checkFactors(a, sel.Passes); err != nil {
		return nil, o, sel, err
	}
	cells := analysis.Cells(sel.Passes, o)
	sel.Mark(cells)
	sel.Sum(cells)
	sel.Tell(a.Streams, cells)
	return cells, o, sel, nil
}

// checkFactors keeps a slip of the pen from making all passes one cell: a factor that no
// selected pass has is refused where its name is close to one that they have.
func (f analysisFlags) checkFactors(a *app, passes []record.Pass) error {
	known := map[string]bool{}
	for _, p := range passes {
		for name := range p.Tags {
			known[name] = true
		}
	}
	for _, name := range f.Factor {
		if known[name] || slices.Contains(record.CellFactors, name) || len(passes) == 0 {
			continue
		}
		if like := nearest(name, known); like != "" {
			return cli.UsageError(fmt.Errorf("--factor %s: no selected pass has this tag; do you mean %q?", name, like))
		}
		safe.Fprintf(a.stderr, "capctl: note: --factor %s: no selected pass has this tag\n", name)
	}
	return nil
}

func (c *cellsCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	gaps(a, cells)
	if err := printCells(a, c.outputFlags, cells, o); err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.JSON, cells)
}

func printCells(a *app, form outputFlags, cells []analysis.Cell, o analysis.Options) error {
	interval := o.ConfidencePercent()
	headings := table.Row{"cell", "passes", "avg FPS", "avg FPS " + interval, "1% low", "1% low " + interval, "remarks"}
	both := slices.ContainsFunc(cells, func(c analysis.Cell) bool { return c.Figure(analysis.Average).BothKnown() })
	if both {
		headings = slices.Insert(headings, 4, any("in one session"))
	}
	form.head(a, analysis.SessionsOf(cells, o))
	same := warnedOfAll(cells)
	if len(same) > 0 && !form.JSON && !form.CSV {
		defer safe.Fprintf(a.stderr, "capctl: note: for every cell: %s\n", strings.Join(same, "; "))
	}
	return emit(a, form, cells, headings, func(x analysis.Cell) table.Row {
		avg, low := x.Figure(analysis.Average), x.Figure(analysis.Low1)
		row := table.Row{x.Name(), passCount(x), shown(avg), plusMinus(avg), shown(low), plusMinus(low), remarks(x, same)}
		if both {
			row = slices.Insert(row, 4, any(fpsRange(avg.SessionLow, avg.SessionHigh)))
		}
		return row
	}, func() report.Table { return report.CellTable(cells, selection.FactorsOf(o)) })
}

// passCount says how many passes count, of how many, and from how many sessions if several.
func passCount(c analysis.Cell) string {
	n := len(c.Passes.Used)
	text := fmt.Sprint(n)
	if out := len(c.Passes.LeftOut); out > 0 {
		text = fmt.Sprintf("%d of %d", n, n+out)
	}
	if c.Sessions > 1 {
		text += fmt.Sprintf(" in %d sessions", c.Sessions)
	}
	return text
}

// shown prints a figure with an asterisk where it is a median.
func shown(f analysis.Figure) string {
	if !analysis.Number(f.Value()).Known() {
		return "-"
	}
	if f.Shown == "median" {
		return fps(f.Value()) + "*"
	}
	return fps(f.Value())
}

func plusMinus(f analysis.Figure) string {
	return fpsRange(f.CILow, f.CIHigh)
}

func fpsRange(low, high analysis.Number) string {
	if !low.Known() {
		return "-"
	}
	return fmt.Sprintf("%s to %s", fps(float64(low)), fps(float64(high)))
}

func remarks(c analysis.Cell, same []string) string {
	var out []string
	if c.Agree.Outcome == record.Doubtful {
		out = append(out, c.Agree.Reason+": "+c.Agree.Advice+" (*)")
	}
	for _, l := range c.Passes.LeftOut {
		out = append(out, l.ID+" left out: "+l.Why)
	}
	for _, w := range c.Warnings {
		if !slices.Contains(same, w) {
			out = append(out, w)
		}
	}
	return strings.Join(out, "; ")
}

// warnedOfAll returns the warnings that several cells share, all of them: said in every row
// they would hide the others.
func warnedOfAll(cells []analysis.Cell) (same []string) {
	if len(cells) < 2 {
		return nil
	}
	for _, w := range cells[0].Warnings {
		if !slices.ContainsFunc(cells, func(c analysis.Cell) bool { return !slices.Contains(c.Warnings, w) }) {
			same = append(same, w)
		}
	}
	return same
}
