package report

import (
	"fmt"
	"slices"

	"capd.example/analysis"
	"capd.example/analysis/power"
)

// powerFields are the columns of what sensors said.
var powerFields = []struct {
	name, about, format string
	of                  func(power.Sum) analysis.Number
}{
	{
		"fps_per_watt",
		"average rate over the mean power of the card",
		"%.3f",
		func(s power.Sum) analysis.Number { return s.PerWatt },
	},
	{"fps_per_watt_ci_low", "lower end of its interval", "", func(s power.Sum) analysis.Number { return s.PerWattLow }},
	{
		"fps_per_watt_ci_high",
		"upper end of its interval",
		"",
		func(s power.Sum) analysis.Number { return s.PerWattHigh },
	},
	{"fps_per_watt_both", "over the power of card and processor", "%.3f",
		func(s power.Sum) analysis.Number { return s.PerWattBoth }},
	{"card_watts", "mean", "%.0f", func(s power.Sum) analysis.Number { return s.CardWatts }},
	{"card_watts_most", "largest sample", "%.0f", func(s power.Sum) analysis.Number { return s.CardMostWatts }},
	{
		"card_temperature_most",
		"degrees C, largest sample",
		"%.0f",
		func(s power.Sum) analysis.Number { return s.CardTemp },
	},
	{"card_clock_mhz", "median", "%.0f", func(s power.Sum) analysis.Number { return s.CardClock }},
	{"card_busy_percent", "median", "%.0f", func(s power.Sum) analysis.Number { return s.CardBusy }},
	{"processor_watts", "mean", "%.0f", func(s power.Sum) analysis.Number { return s.CPUWatts }},
	{"processor_watts_most", "largest sample", "%.0f", func(s power.Sum) analysis.Number { return s.CPUMostWatts }},
	{"processor_temperature_most", "degrees C, largest sample", "%.0f",
		func(s power.Sum) analysis.Number { return s.CPUTemp }},
	{"processor_clock_mhz", "median", "%.0f", func(s power.Sum) analysis.Number { return s.CPUClock }},
	{"processor_busy_percent", "median", "%.0f", func(s power.Sum) analysis.Number { return s.CPUBusy }},
}

// PowerTable has one row per cell or part: power, heat and clocks as sensors said them.
func PowerTable(list []power.Sum, factors []string) Table {
	fields := []field[power.Sum]{integer("passes", "with readings", func(s power.Sum) int { return s.Passes })}
	for _, f := range powerFields {
		fields = append(fields, number(f.name, f.about, f.of))
	}
	fields = append(fields, text("throttled", "what held clocks back beside the card's power limit",
		func(s power.Sum) string { return s.Throttled }))
	return newTable("power", "Power, heat and clocks; empty where no sensor told", list,
		factorFields(factors, func(s power.Sum) map[string]string { return s.Factors }), fields)
}

// powerRow is a line of the page's table.
type powerRow struct {
	power.Sum
	Values []string
}

// powerRows are what sensors said as the page shows it: the columns that any cell fills.
func (r *Report) powerRows() (heads []string, rows []powerRow) {
	shown := slices.DeleteFunc(slices.Clone(powerFields), func(f struct {
		name, about, format string
		of                  func(power.Sum) analysis.Number
	}) bool {
		return f.format == "" || !slices.ContainsFunc(r.Power, func(s power.Sum) bool { return f.of(s).Known() })
	})
	for _, f := range shown {
		heads = append(heads, spoken(f.name))
	}
	for _, s := range r.Power {
		row := powerRow{Sum: s}
		for _, f := range shown {
			v := "–"
			if x := f.of(s); x.Known() {
				v = fmt.Sprintf(f.format, float64(x))
			}
			row.Values = append(row.Values, v)
		}
		rows = append(rows, row)
	}
	return heads, rows
}
