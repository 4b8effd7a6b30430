package main

import (
	"fmt"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/record"
	"capd.example/report"
)

// repeatabilityCmd is `capctl repeatability`.
type repeatabilityCmd struct {
	Metric []string `placeholder:"FIGURE" default:"avg_fps,low1_fps" help:"Figures to show; 'all' for all."`
	outputFlags
	filterFlags
	Factor []string `placeholder:"TAG" help:"Tags that make a cell. May be repeated."`
	scopeFlags
}

// sessionsDiffer says what a session shifts, and how well that is known.
func sessionsDiffer(r analysis.Repeat) string {
	if !r.SessionSD.Known() {
		return "-"
	}
	return fmt.Sprintf("%s (%.0f df)", relative(r.SessionSD), float64(r.SessionDF))
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
	headings := table.Row{"bench", "game", "bound by", "figure", "noise of one pass", "sets", "degrees of freedom", "smallest difference three passes can show", "sessions differ by", "by month", "remarks"}
	err = emit(a, c.outputFlags, list, headings, func(r analysis.Repeat) table.Row {
		var months []string
		for _, m := range r.Months {
			months = append(months, fmt.Sprintf("%s %s (%d)", m.Month, relative(m.SD), m.Sets))
		}
		var notes []string
		if r.LeftOut > 0 {
			notes = append(notes, fmt.Sprintf("left out as noisier than the others: %s", record.Count(r.LeftOut, "set")))
		}
		if r.Apart != "" {
			notes = append(notes, "the cells differ in noise ("+r.Apart+"), so each uses its own")
		}
		return table.Row{r.Bench, r.Game, r.Regime, r.Metric, relative(r.SD), r.Sets, number(r.DF, "%.0f"), relative(r.Resolves), sessionsDiffer(r), strings.Join(months, ", "), strings.Join(notes, "; ")}
	}, func() report.Table { return report.RepeatTable(list) })
	if err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.JSON, nil)
}
