package main

import (
	"fmt"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
)

// compareCmd is `capctl compare`.
type compareCmd struct {
	By     string   `required:"" placeholder:"FACTOR" help:"The factor in which the compared cells differ: cpu, gpu, preset ..."`
	Base   string   `placeholder:"VALUE" help:"The value to compare with (default: every pair)."`
	Metric string   `default:"avg_fps" placeholder:"FIGURE" help:"The figure to compare: avg_fps, low1_fps ..."`
	Tie    *float64 `placeholder:"PERCENT" help:"A difference that is shown to be smaller is a tie (default: analysis.tie_percent, 1)."`
	Across bool     `help:"Combine the games by the geometric mean of their ratios."`
	outputFlags
	filterFlags
	analysisFlags
}

func (c *compareCmd) Run(a *app) error {
	if c.Tie != nil && !(*c.Tie > 0 && *c.Tie < 100) {
		return cli.UsageError(fmt.Errorf("--tie %g is no percentage above 0 and below 100", *c.Tie))
	}
	cells, o, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	if c.Tie != nil {
		o.Tie = *c.Tie / 100
	}
	margins, err := analysis.Compare(cells, c.By, c.Base, c.Metric, o)
	if err != nil {
		return cli.UsageError(err, "'capctl cells' lists the cells with their factors")
	}
	if c.Across {
		return c.totals(a, analysis.Totals(margins, o))
	}
	return emit(a, c.outputFlags, margins, table.Row{"cell", c.By, "against", "margin", "95 %", "call", "why"}, func(m analysis.Margin) table.Row {
		return table.Row{m.Name(), m.Value, m.Base, analysis.WholePercent(m.Margin), percentRange(m.CILow, m.CIHigh), m.Call,
			strings.Join(append([]string{m.Reason}, m.Warnings...), "; ")}
	})
}

func percentRange(low, high analysis.Number) string {
	if !low.Known() || !high.Known() {
		return "-"
	}
	return fmt.Sprintf("%+.1f to %+.1f %%", 100*float64(low), 100*float64(high))
}

func (c *compareCmd) totals(a *app, totals []analysis.Total) error {
	headings := table.Row{"cells", c.By, "against", "geometric mean", "95 %", "games like these", "call", "why", "games"}
	return emit(a, c.outputFlags, totals, headings, func(t analysis.Total) table.Row {
		var games []string
		for _, g := range t.Games {
			games = append(games, fmt.Sprintf("%s %s (without it %s)", g.Game, analysis.WholePercent(g.Margin), analysis.WholePercent(g.Without)))
		}
		return table.Row{t.Name(), t.Value, t.Base, analysis.WholePercent(t.Margin), percentRange(t.CILow, t.CIHigh), percentRange(t.SpreadLow, t.SpreadHigh),
			t.Call, t.Reason, strings.Join(games, ", ")}
	})
}
