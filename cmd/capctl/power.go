package main

import (
	"capd.example/analysis/power"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	"capd.example/report"
)

// powerCmd is `capctl power`.
type powerCmd struct {
	By string `placeholder:"FACTOR" help:"Sum up the levels of this factor, such as gpu, over the cells that all have (default: each cell)."`
	output.Form
	filterFlags
	analysisFlags
}

func (c *powerCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	_, readings, err := storedSensors(a, cells)
	if err != nil {
		return err
	}
	factors, list := selection.FactorsOf(o), power.Cells(cells, readings, o)
	if c.By != "" {
		if err := results.LevelsOf(cells, factors).Check(c.By, ""); err != nil {
			return err
		}
		factors, list = []string{c.By}, power.Parts(cells, c.By, readings, o)
	}
	if len(list) == 0 && len(cells) > 0 {
		a.Say("no sensor told of power, heat or clocks during these passes; 'capd check' says what this bench can sample")
	}
	err = results.PrintPower(a.Streams, c.Form, list, func() output.Data { return report.PowerTable(list, factors) })
	if err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, cells)
}
