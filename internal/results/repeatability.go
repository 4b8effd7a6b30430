package results

import (
	"fmt"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
)

// sessionsDiffer says what a session shifts, and how well that is known.
func sessionsDiffer(r analysis.Repeat) string {
	if !r.SessionSD.Known() {
		return "-"
	}
	return fmt.Sprintf("%s (%.0f df)", relative(r.SessionSD), float64(r.SessionDF))
}

// PrintRepeats prints how well passes repeat.
func PrintRepeats(a *cli.Streams, form output.Form, list []analysis.Repeat, data func() output.Data) error {
	headings := table.Row{"bench", "game", "bound by", "figure", "noise of one pass", "sets", "degrees of freedom",
		"smallest difference three passes can show", "sessions differ by", "by month", "remarks"}
	return output.Emit(a, form, list, headings, func(r analysis.Repeat) table.Row {
		var months []string
		for _, m := range r.Months {
			months = append(months, fmt.Sprintf("%s %s (%d)", m.Month, relative(m.SD), m.Sets))
		}
		var notes []string
		if r.LeftOut > 0 {
			notes = append(notes, fmt.Sprintf("left out as noisier than the others: %s (up to %s)",
				record.Count(r.LeftOut, "set"), relative(r.LeftOutSD)))
		}
		if r.Apart != "" {
			notes = append(notes, "the cells differ in noise ("+r.Apart+"), so each uses its own")
		}
		return table.Row{r.Bench, r.Game, r.Regime, r.Metric, relative(r.SD), r.Sets, number(r.DF, "%.0f"),
			relative(r.Resolves), sessionsDiffer(r), strings.Join(months, ", "), strings.Join(notes, "; ")}
	}, data)
}
