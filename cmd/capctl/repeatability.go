package main

import (
	"capd.example/analysis"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/report"
)

// repeatabilityCmd is `capctl repeatability`.
type repeatabilityCmd struct {
	Metric []string `placeholder:"FIGURE" default:"avg_fps,low1_fps" help:"Figures to show; 'all' for all."`
	output.Form
	filterFlags
	Factor []string `placeholder:"TAG" help:"Tags that make a cell. May be repeated."`
	scopeFlags
}

func (c *repeatabilityCmd) Run(a *app) error {
	f := analysisFlags{Factor: c.Factor, Alone: true, scopeFlags: c.scopeFlags}
	o := f.options(a)
	sel, err := f.choose(a, c.filterFlags, &o)
	if err != nil {
		return err
	}
	passes := sel.Passes
	var list []analysis.Repeat
	for _, r := range analysis.Repeats(passes, o) {
		for _, m := range c.Metric {
			if m == "all" || m == r.Metric {
				list = append(list, r)
			}
		}
	}
	sel.Tell(a.Streams, nil)
	if len(passes) == 0 {
		c.noPass(a)
	} else if len(list) == 0 {
		a.say("nothing to show: no cell has two good passes with the same set-up; 'capctl cells' lists the cells")
	}
	err = results.PrintRepeats(a.Streams, c.Form, list, func() output.Data { return report.RepeatTable(list) })
	if err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, nil)
}
