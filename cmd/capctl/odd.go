package main

import (
	"strings"

	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/report"
)

// oddCmd is `capctl odd`.
type oddCmd struct {
	outputFlags
	filterFlags
	analysisFlags
}

// Run ends with status 1 where a cell is odd.
func (c *oddCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	r := analysis.FindOdd(cells, o)
	c.head(a, r.Misfit.Text)
	for _, p := range r.Properties {
		c.head(a, p.Text)
	}
	err = emit(a, c.outputFlags, r.Odd, table.Row{"cell", "avg FPS", "off by", "why", "advice", "passes"}, func(x analysis.Odd) table.Row {
		return table.Row{x.Name(), number(x.FPS, "%.1f"), number(100*x.Deviation, "%+.1f %%"), x.Reason, x.Advice, strings.Join(x.Passes, " ")}
	}, func() report.Table { return report.OddTable(r.Odd, selection.FactorsOf(o)) })
	if err != nil {
		return err
	}
	if c.JSON {
		if err := output.JSON(a.stdout, map[string]any{"fit": r.Misfit, "properties": r.Properties}); err != nil {
			return cli.FailedError(err)
		}
	}
	safe.Fprintf(a.stderr, "capctl: odd cells: %d of %d tested", len(r.Odd), r.Tested)
	if n := len(r.Untestable); n > 0 {
		safe.Fprintf(a.stderr, "; %d could not be tested: no other cell is comparable", n)
	}
	if n := len(r.Weak); n > 0 {
		safe.Fprintf(a.stderr, "; in %s an error of 4 %% might go unseen", record.Count(n, "cell"))
	}
	safe.Fprintln(a.stderr)
	for _, why := range r.Outside {
		safe.Fprintf(a.stderr, "capctl: note: not tested: %s\n", printable(why))
	}
	untagged(a, cells, record.TagProcessor, record.TagGraphics)
	if err := sel.Emit(a.Streams, c.JSON, cells); err != nil {
		return err
	}
	if len(r.Odd) > 0 {
		return cli.ErrFound
	}
	return nil
}
