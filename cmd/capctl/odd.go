package main

import (
	"capd.example/analysis/oddcell"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	"capd.example/record"
	"capd.example/report"
)

// oddCmd is `capctl odd`.
type oddCmd struct {
	output.Form
	filterFlags
	analysisFlags
}

// Run ends with status 1 where a cell is odd, or looks like the one beside it.
func (c *oddCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	r := oddcell.Find(cells, o)
	if err := results.PrintOdd(a.Streams, c.Form, r, func() output.Data { return report.OddTable(r.Odd, selection.FactorsOf(o)) }); err != nil {
		return err
	}
	results.Untagged(a.Streams, a.lab != "", cells, record.TagProcessor, record.TagGraphics)
	if err := sel.Emit(a.Streams, c.Form, cells); err != nil {
		return err
	}
	if len(r.Odd)+len(r.Alike) > 0 {
		return cli.ErrFound
	}
	return nil
}
