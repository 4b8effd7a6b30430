package results

import (
	"fmt"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/analysis/power"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
)

// powerColumns are what sensors said, as tables for people have it.
var powerColumns = []struct {
	head, format string
	of           func(power.Sum) analysis.Number
}{
	{"FPS per W, card", "%.3f", func(s power.Sum) analysis.Number { return s.PerWatt }},
	{"FPS per W, both", "%.3f", func(s power.Sum) analysis.Number { return s.PerWattBoth }},
	{"card W", "%.0f", func(s power.Sum) analysis.Number { return s.CardWatts }},
	{"card W, most", "%.0f", func(s power.Sum) analysis.Number { return s.CardMostWatts }},
	{"card C, most", "%.0f", func(s power.Sum) analysis.Number { return s.CardTemp }},
	{"card MHz", "%.0f", func(s power.Sum) analysis.Number { return s.CardClock }},
	{"card busy", "%.0f %%", func(s power.Sum) analysis.Number { return s.CardBusy }},
	{"processor W", "%.0f", func(s power.Sum) analysis.Number { return s.CPUWatts }},
	{"processor W, most", "%.0f", func(s power.Sum) analysis.Number { return s.CPUMostWatts }},
	{"processor C, most", "%.0f", func(s power.Sum) analysis.Number { return s.CPUTemp }},
	{"processor MHz", "%.0f", func(s power.Sum) analysis.Number { return s.CPUClock }},
	{"processor busy", "%.0f %%", func(s power.Sum) analysis.Number { return s.CPUBusy }},
}

// PrintPower prints power, heat and clocks. A column that no sensor fills is left out and
// named below.
func PrintPower(a *cli.Streams, form output.Form, list []power.Sum, data func() output.Data) error {
	headings := table.Row{"what", "passes"}
	var shown []int
	var missing []string
	for i, c := range powerColumns {
		if slices.ContainsFunc(list, func(s power.Sum) bool { return c.of(s).Known() }) {
			shown = append(shown, i)
			headings = append(headings, c.head)
		} else if !strings.HasSuffix(c.head, " W, most") { // the same sensor as that of the mean
			missing = append(missing, c.head)
		}
	}
	if !form.JSON && !form.CSV && len(missing) > 0 && len(list) > 0 {
		defer safe.Fprintf(a.Err, "capctl: note: no sensor told: %s\n", strings.Join(missing, "; "))
	}
	return output.Emit(a, form, list, append(headings, "throttled"), func(s power.Sum) table.Row {
		row := table.Row{s.Name(), fmt.Sprint(s.Passes)}
		for _, i := range shown {
			row = append(row, number(powerColumns[i].of(s), powerColumns[i].format))
		}
		return append(row, s.Throttled)
	}, data)
}
