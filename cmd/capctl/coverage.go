package main

import (
	"capd.example/internal/steering"

	"capd.example/internal/cli"
)

// coverageCmd is `capctl coverage`.
type coverageCmd struct {
	campaignFlag
	Rows    []string `placeholder:"FACTOR" help:"Factors of the rows, in order (default: the costly ones). May be repeated."`
	Columns []string `placeholder:"FACTOR" help:"Factors of the columns (default: the cheap ones). May be repeated."`
	Only    []string `placeholder:"FACTOR=LEVEL" help:"Only cells with this level. May be repeated."`
	Open    bool     `help:"List the open cells with the passes that must be repeated, instead of the matrix."`
	JSON    bool     `name:"json" help:"One JSON object per line: the cells, then the passes that belong to none."`
}

func (c *coverageCmd) Run(a *app) error {
	b, page, err := c.page(a)
	if err != nil {
		return err
	}
	only, err := steering.CellValues(b, c.Only)
	if err != nil {
		return err
	}
	cells, err := b.Plan.Find(only)
	if err != nil {
		return cli.UsageError(err)
	}
	switch {
	case c.JSON:
		return steering.CoverageLines(a.Streams, b, page, cells)
	case c.Open:
		steering.OpenCells(a.Streams, b, page, cells)
	default:
		rows, columns, err := steering.Axes(b, c.Rows, c.Columns)
		if err != nil {
			return err
		}
		steering.Matrix(a.Streams, b, page, cells, rows, columns)
	}
	steering.CoverageSummary(a.Streams, b, page, only)
	return nil
}
