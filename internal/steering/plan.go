package steering

import (
	"fmt"
	"math"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/campaign"
	"capd.example/campaign/precision"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// PlanLine is a line of `capctl plan --json`.
type PlanLine struct {
	Plan string `json:"plan"` // the campaign's name, or the changes that were tried
	campaign.Estimate
	Bound   float64  `json:"bound_minutes"`            // of changes, whatever the order
	Greedy  *float64 `json:"greedy_minutes,omitempty"` // of changes, always to the cheapest cell left
	Written float64  `json:"written_minutes"`          // of changes, as nested loops would go

	Controls campaign.Controls `json:"controls"` // what it costs to learn how much sessions differ
}

// SumUpPlan sums a plan up, in days of so many hours; 0 for those of the campaign.
func SumUpPlan(name string, p *campaign.Plan, hours float64) PlanLine {
	l := PlanLine{Plan: name, Estimate: p.Estimate(hours), Bound: p.Bound(), Written: p.Written(), Controls: p.Controls()}
	if g := p.Greedy(); !math.IsNaN(g) {
		l.Greedy = &g
	}
	return l
}

// PlanCells lists the cells in the order of the plan.
func PlanCells(a *cli.Streams, p *campaign.Plan, asJSON bool) error {
	names := p.Campaign.FactorNames()
	head := table.Row{"cell"}
	for _, n := range names {
		head = append(head, n)
	}
	var rows []table.Row
	for i := range p.Len() {
		cell := p.Cell(i)
		if asJSON {
			if err := output.JSON(a.Out, map[string]any{"cell": i + 1, "tags": cell}); err != nil {
				return cli.FailedError(err)
			}
			continue
		}
		row := table.Row{i + 1}
		for _, n := range names {
			row = append(row, cell[n])
		}
		rows = append(rows, row)
	}
	if !asJSON {
		output.Table(a.Out, head, rows)
	}
	return nil
}

// ShowPlan prints what a plan costs.
func ShowPlan(a *cli.Streams, c *campaign.Campaign, l PlanLine) {
	e := l.Estimate
	safe.Fprintf(a.Out, "campaign %s: %s, %s each, %d in all\n", c.Name, record.Count(e.Cells, "cell"),
		record.Count(c.Passes, "pass"), e.Passes)
	for _, f := range c.Factors {
		safe.Fprintf(a.Out, "  %-11s %s\n", f.Name, Listed(f.Levels))
	}
	safe.Fprintln(a.Out)
	var rows []table.Row
	rows = append(rows, table.Row{"passes", e.Passes, "", clock(e.PassTime)})
	for _, ch := range e.Changes {
		rows = append(rows, table.Row{"change of " + ch.Factor, ch.Times, minutes(ch.Each), clock(ch.Sum)})
	}
	rows = append(rows, table.Row{"in all", "", "", clock(e.Total)})
	output.Table(a.Out, table.Row{"what", "times", "minutes each", "h:min"}, rows)
	if e.Days < 1 {
		safe.Fprintf(a.Out, "\n%s in all; the passes alone take %s\n", lasting(e.Total), lasting(e.PassTime))
	} else {
		safe.Fprintf(a.Out, "\n%.1f working days of %g hours; the passes alone are %.1f\n", e.Days, e.Hours,
			e.PassTime/60/e.Hours)
	}
	fmt.Fprint(a.Out,
		a.Carry(fmt.Sprintf("\nThe changes take %s in the order of the plan ('capctl plan --cells' lists it). %s\n",
			lasting(e.ChangeTime), orders(l))))
	safe.Fprintf(a.Out, "\n%s\n", a.Carry(resolves(c.Passes)))
	safe.Fprintf(a.Out, "\n%s\n", controls(l.Controls))
	for _, g := range e.Unknown {
		safe.Fprintf(a.Err,
			"capctl: note: the time of a pass of %s is unknown and counts as 0; set length_s or pass_minutes\n", g)
	}
}

// resolves says what a number of passes can and cannot tell apart, before they are run.
func resolves(passes int) string {
	w := precision.DefaultWish
	own, pooled := precision.Resolve(passes, w)
	s := fmt.Sprintf("With %s a cell and 1 %% noise, differences from %.1f %% on can be shown; with 0.5 %% noise, from %.1f %% on.\n",
		record.Count(passes, "pass"), pooled, 0.5*pooled)
	if !math.IsNaN(own) {
		s += fmt.Sprintf("Before many cells show the noise, 1 %% noise needs a difference of %.1f %%. ", own)
	}
	return s +
		fmt.Sprintf("Power is %.0f %% at the %.0f %% level. Smaller differences may stay uncertain; 'capctl next --by precision' shows where more passes pay.",
			100*w.Power, 100*w.Alpha)
}

// controls says how to learn how much sessions differ, and what it costs.
func controls(c campaign.Controls) string {
	if c.Builds < 2 {
		return "All cells use the same parts. Intervals cover repeats within one session until you measure a cell again after a restart or on another day."
	}
	again := fmt.Sprintf("a restart in each of the %d build-ups", c.Builds)
	switch {
	case c.Wanted < c.Builds:
		again = fmt.Sprintf("a restart in %d of the %d build-ups", c.Wanted, c.Builds)
	case c.Wanted > c.Builds:
		again = fmt.Sprintf("%d restarts in the %d build-ups", c.Wanted, c.Builds)
	}
	cost := fmt.Sprintf("%s, %s, %s more", Pairs(c.Cell), record.Count(c.Passes, "pass"), lasting(c.Minutes))
	switch {
	case c.Stated && c.Wanted == 0:
		return "No cell has the levels under [control], so the plan has no control cell."
	case c.Stated:
		return fmt.Sprintf("Control cells show what a rebuild or a restart shifts. 'capctl next' asks for one at the start of each session, and again after %s: %s. "+
			"The one at the start of a second day replaces a restart.", again, cost)
	}
	return fmt.Sprintf("Parts are compared across rebuilds. To learn what a rebuild or a restart shifts, measure a control cell again after %s: %s. "+
		"Write an empty table [control] into the campaign file, and 'capctl next' asks for it. "+
		"Cells that you measure again on another day count too. Otherwise intervals cover repeats within one session.",
		again, cost)
}

// orders says how the order of the plan compares with others.
func orders(l PlanLine) string {
	var s string
	if gap := l.ChangeTime - l.Bound; gap <= 1e-9*l.Bound {
		s = "This is the shortest order."
	} else {
		s = fmt.Sprintf("No order takes less than %s.", lasting(l.Bound))
	}
	if l.Greedy != nil {
		s += fmt.Sprintf(" Always taking the cheapest change next needs %s", lasting(*l.Greedy))
	} else {
		s += fmt.Sprintf(" Above %d cells, capctl does not work out what always taking the cheapest change needs",
			campaign.GreedyLimit)
	}
	return s + fmt.Sprintf("; plain loops over the lists need %s.", lasting(l.Written))
}

// ComparePlans lists what plans cost, against the first of them.
func ComparePlans(a *cli.Streams, lines []PlanLine) {
	var rows []table.Row
	base := lines[0].Total
	for _, l := range lines {
		rows = append(rows, table.Row{l.Plan, l.Cells, l.Passes, clock(l.PassTime), clock(l.ChangeTime), clock(l.Total),
			fmt.Sprintf("%.1f", l.Days), signedClock(l.Total - base)})
	}
	output.Table(a.Out, table.Row{"plan", "cells", "passes", "passes h", "changes h", "in all h",
		fmt.Sprintf("days of %g h", lines[0].Hours), "difference h"}, rows)
}

// Listed joins names, at most a dozen of them.
func Listed(names []string) string {
	const most = 12
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	return strings.Join(names, ", ")
}

// clock prints minutes as hours and minutes.
func clock(m float64) string {
	whole := int64(math.Round(m))
	return fmt.Sprintf("%d:%02d", whole/60, whole%60)
}

// lasting says how long minutes are: below an hour in minutes, below one in seconds.
func lasting(m float64) string {
	switch {
	case math.Round(m) >= 60:
		return clock(m) + " h"
	case m >= 1 || m == 0:
		return fmt.Sprintf("%.0f min", m)
	}
	return fmt.Sprintf("%.0f s", 60*m)
}

// remaining says how long what is left takes, in days from one on.
func remaining(minutes, hoursPerDay float64) string {
	s := lasting(minutes) + " with all changes"
	if days := minutes / 60 / hoursPerDay; days >= 1 {
		s += fmt.Sprintf("; %.1f days of %g hours", days, hoursPerDay)
	}
	return s
}

func signedClock(m float64) string {
	switch {
	case math.Abs(m) < 0.5:
		return "0:00"
	case m < 0:
		return "-" + clock(-m)
	}
	return "+" + clock(m)
}

func minutes(m float64) string { return fmt.Sprintf("%g", m) }
