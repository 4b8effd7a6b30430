package main

import (
	"capd.example/analysis/compare"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	safe "capd.example/internal/text"
	"capd.example/report"
)

// compareCmd is `capctl compare`.
type compareCmd struct {
	By     string `placeholder:"FACTOR" help:"The factor in which the compared cells differ: gpu, cpu, preset ... (default: the first of gpu, cpu and the others that has several values)."`
	Base   string `placeholder:"VALUE" help:"The value to compare with (default: every pair)."`
	Metric string `default:"avg_fps" placeholder:"FIGURE" help:"The figure to compare: avg_fps, low1_fps ..."`
	Tie    string `placeholder:"PERCENT" help:"A difference that is shown to be smaller is a tie (default: analysis.tie_percent, 1). 'auto' takes what the passes resolve."`
	Across bool   `help:"Combine the games by the geometric mean of their ratios."`
	output.Form
	filterFlags
	analysisFlags
}

func (c *compareCmd) Run(a *app) error {
	tie, err := results.TieOf(c.Tie)
	if err != nil {
		return err
	}
	if err := results.KnownFigure(c.Metric); err != nil {
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
	results.Gaps(a.Streams, a.lab != "", cells)
	levels := results.LevelsOf(cells, selection.FactorsOf(o))
	chosen := c.By == ""
	if chosen {
		c.By = levels.First(c.Base)
	}
	if err := levels.Check(c.By, c.Base); err != nil {
		return err
	}
	if chosen {
		safe.Fprintf(a.stderr, "capctl: compared by %s; choose another factor with --by (%s)\n", c.By, levels)
	}
	margins, err := compare.Margins(cells, c.By, c.Base, c.Metric, o)
	if auto := compare.ResolvedTie(margins, o); err == nil && c.Tie == results.AutoTie && auto.Known() {
		o.Tie = float64(auto)
		margins, err = compare.Margins(cells, c.By, c.Base, c.Metric, o)
	}
	if err != nil {
		return cli.UsageError(err, "'capctl passes' lists what there is")
	}
	if len(margins) == 0 {
		levels.Nothing(a.Streams, c.By, c.Base)
	}
	if c.Across {
		totals := compare.Totals(margins, o)
		err = results.PrintTotals(a.Streams, c.Form, c.By, totals, o,
			func() output.Data { return report.TotalTable(totals, selection.FactorsOf(o)) })
	} else {
		err = results.PrintMargins(a.Streams, c.Form, c.By, margins, o,
			func() output.Data { return report.MarginTable(margins, selection.FactorsOf(o)) })
	}
	if err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, cells)
}

// quoted is a value as one types it.
func quoted(s string) string { return cli.Quoted(s) }
