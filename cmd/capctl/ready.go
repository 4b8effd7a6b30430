package main

import (
	"capd.example/analysis"
	"capd.example/analysis/oddcell"
	"capd.example/analysis/ready"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	"capd.example/report"
)

// readyCmd is `capctl ready`.
type readyCmd struct {
	JSON     bool `name:"json" xor:"form" help:"One JSON object per line."`
	Markdown bool `name:"markdown" xor:"form" help:"A Markdown list."`
	filterFlags
	analysisFlags
}

// Run ends with status 1 while something stands against publishing.
func (c *readyCmd) Run(a *app) error {
	c.whole = true // findings say why a pass is in doubt
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	in := readyInput(cells, o, sel)
	in.Odd = report.Suspects(oddcell.Find(cells, o))
	found := ready.Check(in)
	if err := results.PrintConcerns(a.Streams, output.Form{JSON: c.JSON, Markdown: c.Markdown}, found); err != nil {
		return err
	}
	if len(found) > 0 {
		return cli.ErrFound
	}
	if len(cells) > 0 {
		a.Say("nothing stands against publishing")
	}
	return nil
}

// readyInput is what the check before publishing looks at, but for the odd cells.
func readyInput(cells []analysis.Cell, o analysis.Options, sel selection.Basis) ready.Input {
	open, planned := sel.Planned()
	in := ready.Input{Cells: cells, Passes: sel.Passes, Systems: o.Systems, Factors: selection.FactorsOf(o),
		Planned: planned, Foreign: sel.Foreign(), Notes: sel.Notes}
	for _, p := range open {
		in.Open = append(in.Open, ready.Planned{Factors: p.Values, Good: p.Done, Wanted: p.Wanted})
	}
	return in
}
