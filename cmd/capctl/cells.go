package main

import (
	"fmt"

	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/plugins/agreement"
	"capd.example/report"
)

// cellsCmd is `capctl cells`.
type cellsCmd struct {
	output.Form
	filterFlags
	analysisFlags
}

// analysisFlags are what every command that draws conclusions takes.
type analysisFlags struct {
	Factor  []string `placeholder:"TAG" help:"Tags that make a cell (default: cpu, gpu, game, scene, resolution, preset). May be repeated."`
	Alone   bool     `help:"Judge by the selected passes alone; else the spread of the campaign's other passes, or of all, counts too."`
	Session *float64 `name:"session-sd" placeholder:"PERCENT" help:"Standard deviation of what a rebuild, a restart or another day shifts rates by, where it was not measured (default: analysis.session_sd_percent, unknown)."`
	Sort    string   `placeholder:"HOW" default:"plan" help:"Order of the cells: plan (as the campaign has its levels), name, or a figure such as avg_fps, the best first."`
	scopeFlags

	whole bool // everything that is known of the passes is wanted
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
	return analysis.Options{SessionSD: session / 100, Factors: f.Factor, Tie: c.TiePercent / 100,
		Confidence: c.Confidence, Alpha: c.Alpha, MinDF: c.MinDF,
		Homogeneity: c.Homogeneity, Agreement: agreement}
}

// cells returns the cells of the selected passes and what they rest on. A tag named by by
// is a factor where passes have it.
func (f analysisFlags) cells(a *app, filter filterFlags, by ...string) ([]analysis.Cell, analysis.Options,
	selection.Basis, error) {
	if f.Session != nil && !(*f.Session >= 0 && *f.Session < 100) {
		return nil, analysis.Options{}, selection.Basis{},
			cli.UsageError(fmt.Errorf("--session-sd %g is no percentage from 0 to below 100", *f.Session))
	}
	o := f.options(a)
	sel, err := f.choose(a, filter, &o, by...)
	if err != nil {
		return nil, o, sel, err
	}
	if len(sel.Passes) == 0 && len(sel.LeftOut) == 0 {
		filter.noPass(a)
	}
	if err := results.CheckFactors(a.Streams, f.Factor, sel.Passes); err != nil {
		return nil, o, sel, err
	}
	cells := analysis.Cells(sel.Passes, o)
	if err := results.SortCells(cells, f.Sort, o); err != nil {
		return nil, o, sel, err
	}
	sel.Mark(cells)
	sel.Sum(cells)
	sel.Tell(a.Streams, cells)
	return cells, o, sel, nil
}

func (c *cellsCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	results.Gaps(a.Streams, a.lab != "", cells)
	if err := results.PrintCells(a.Streams, c.Form, cells, o,
		func() output.Data { return report.CellTable(cells, selection.FactorsOf(o)) }); err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, cells)
}
