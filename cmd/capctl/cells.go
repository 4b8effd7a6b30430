package main

import (
	"fmt"
	"slices"
	"strings"

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
	Factor []string `placeholder:"TAG" help:"Tags that make a cell (default: cpu, gpu, game, scene, resolution, preset). May be repeated."`
	Alone  bool     `help:"Judge by the selected passes alone; else the spread of the campaign's other passes, or of all, counts too."`
	scopeFlags
}

// options are the thresholds of the configuration.
func (f analysisFlags) options(a *app) analysis.Options {
	c := a.config.Analysis
	agreement, err := agreement.RuleOf(a.config.Checks.Params["agreement"])
	if err != nil {
		fmt.Fprintf(a.stderr, "capctl: warning: checks.params: %v; its defaults hold\n", err)
	}
	return analysis.Options{Factors: f.Factor, Tie: c.TiePercent / 100, Confidence: c.Confidence, Alpha: c.Alpha, MinDF: c.MinDF,
		Homogeneity: c.Homogeneity, Agreement: agreement}
}

// cells returns the cells of the selected passes and what they rest on. A tag named by by
// is a factor where passes have it.
func (f analysisFlags) cells(a *app, filter filterFlags, by ...string) ([]analysis.Cell, analysis.Options, selection, error) {
	o := f.options(a)
	sel, err := f.choose(a, filter, &o, by...)
	if err != nil {
		return nil, o, sel, err
	}
	if len(sel.passes) == 0 && len(sel.LeftOut) == 0 {
		filter.noPass(a)
	}
	if err := f.checkFactors(a, sel.passes); err != nil {
		return nil, o, sel, err
	}
	cells := analysis.Cells(sel.passes, o)
	sel.mark(cells)
	sel.sum(cells)
	sel.tell(a, cells)
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
			return cli.UsageError(fmt.Errorf("--factor %s: no selected pass has this tag; is %q meant?", name, like))
		}
		fmt.Fprintf(a.stderr, "capctl: note: --factor %s: no selected pass has this tag\n", name)
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
	return sel.emit(a, c.outputFlags, cells)
}

func printCells(a *app, form outputFlags, cells []analysis.Cell, o analysis.Options) error {
	interval := o.ConfidencePercent()
	headings := table.Row{"cell", "passes", "avg FPS", "avg FPS " + interval, "1% low", "1% low " + interval, "remarks"}
	same := warnedOfAll(cells)
	if len(same) > 0 && !form.JSON && !form.CSV {
		defer fmt.Fprintf(a.stderr, "capctl: note: of every cell: %s\n", strings.Join(same, "; "))
	}
	return emit(a, form, cells, headings, func(x analysis.Cell) table.Row {
		avg, low := x.Figure(analysis.Average), x.Figure(analysis.Low1)
		return table.Row{x.Name(), passCount(x), shown(avg), plusMinus(avg), shown(low), plusMinus(low), remarks(x, same)}
	}, func() report.Table { return report.CellTable(cells, factorsOf(o)) })
}

// passCount says how many passes count, and of how many.
func passCount(c analysis.Cell) string {
	n := len(c.Passes.Used)
	if out := len(c.Passes.LeftOut); out > 0 {
		return fmt.Sprintf("%d of %d", n, n+out)
	}
	return fmt.Sprint(n)
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
	if !f.CILow.Known() {
		return "-"
	}
	return fmt.Sprintf("%s to %s", fps(float64(f.CILow)), fps(float64(f.CIHigh)))
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
