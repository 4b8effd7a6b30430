package pictures

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/power"
	"capd.example/record"
)

// sensors are the figures of telemetry.
var sensors = []struct {
	name, text, unit string
	decimals         int
	over             Over
	of               func(power.Sum) analysis.Number
}{
	{"fps_per_watt_both", "frames per watt of card and processor", "FPS per W", 3, Geometric,
		func(s power.Sum) analysis.Number { return s.PerWattBoth }},
	{"card_watts", "mean power of the card", "W", 0, Arithmetic, func(s power.Sum) analysis.Number { return s.CardWatts }},
	{"card_watts_most", "largest power of the card", "W", 0, Largest,
		func(s power.Sum) analysis.Number { return s.CardMostWatts }},
	{"card_temperature_most", "highest temperature of the card", "°C", 0, Largest,
		func(s power.Sum) analysis.Number { return s.CardTemp }},
	{"card_clock_mhz", "clock of the card", "MHz", 0, Arithmetic, func(s power.Sum) analysis.Number { return s.CardClock }},
	{"processor_watts", "mean power of the processor", "W", 0, Arithmetic,
		func(s power.Sum) analysis.Number { return s.CPUWatts }},
	{"processor_watts_most", "largest power of the processor", "W", 0, Largest,
		func(s power.Sum) analysis.Number { return s.CPUMostWatts }},
	{"processor_temperature_most", "highest temperature of the processor", "°C", 0, Largest,
		func(s power.Sum) analysis.Number { return s.CPUTemp }},
	{"processor_clock_mhz", "clock of the processor", "MHz", 0, Arithmetic,
		func(s power.Sum) analysis.Number { return s.CPUClock }},
}

// AddSensors adds what sensors said of the cells to the figures of a source: frames per watt,
// power, temperature and clock, and what held clocks back. What no sensor told is no figure.
func (s *Source) AddSensors(sums []power.Sum) {
	of := map[string]power.Sum{}
	for _, x := range sums {
		of[analysis.FactorKey(x.Factors, s.Factors)] = x
	}
	at := func(c analysis.Cell) (power.Sum, bool) {
		x, ok := of[analysis.FactorKey(c.Factors, s.Factors)]
		return x, ok
	}
	s.Throttled = func(c analysis.Cell) string {
		x, _ := at(c)
		return x.Throttled
	}
	s.Measures = append(s.Measures, Measure{Name: "fps_per_watt", Text: "frames per watt of the card", Unit: "FPS per W",
		Decimals: 3, Sensor: true, Of: func(c analysis.Cell) analysis.Figure {
			x, _ := at(c)
			return x.Figure()
		}})
	for _, k := range sensors {
		s.Measures = append(s.Measures, Measure{Name: k.name, Text: k.text, Unit: k.unit, Decimals: k.decimals, Over: k.over,
			Sensor: true, Neutral: k.over != Geometric, Of: func(c analysis.Cell) analysis.Figure {
				x, ok := at(c)
				v := k.of(x)
				if !ok || !v.Known() || !(v > 0) {
					return analysis.Figure{}
				}
				return analysis.Figure{N: x.Passes, Mean: v, Shown: "mean", CILow: analysis.Undefined, CIHigh: analysis.Undefined}
			}})
	}
}

// ofSensors are bars of what sensors told, of each kind for which there is a figure.
func (d drawer) ofSensors(by string, screens []string) (out []Picture) {
	for _, k := range []struct{ name, by, figure, beside string }{
		{"per-watt", by, "fps_per_watt", ""}, {"card-watts", by, "card_watts", "card_watts_most"},
		{"card-temperature", by, "card_temperature_most", ""}, {"card-clock", by, "card_clock_mhz", ""},
		{"processor-watts", record.TagProcessor, "processor_watts", "processor_watts_most"},
		{"processor-temperature", record.TagProcessor, "processor_temperature_most", ""},
		{"processor-clock", record.TagProcessor, "processor_clock_mhz", ""},
	} {
		m, ok := d.figures[k.figure]
		if !ok || len(d.levels(d.Cells, k.by)) == 0 ||
			!slices.ContainsFunc(d.Cells, func(c analysis.Cell) bool { return m.Of(c).N > 0 }) {
			continue
		}
		p := Picture{Kind: Bars, Name: k.name, By: k.by, Figures: []string{k.figure}}
		switch {
		case k.beside != "":
			p.Figures = append(p.Figures, k.beside)
		case len(screens) > 1 && len(screens) <= 4:
			p.Series = record.TagResolution
		}
		out = append(out, p)
	}
	return out
}

// held says what held the clocks of each row back in any of its cells.
func (d drawer) held(cells []analysis.Cell, rowBy []string) map[string]string {
	out := map[string]string{}
	if d.Throttled == nil {
		return out
	}
	said := map[string]map[string]bool{}
	for _, c := range cells {
		row := rowName(c.Factors, rowBy)
		for _, why := range strings.Split(d.Throttled(c), ", ") {
			if why == "" {
				continue
			}
			if said[row] == nil {
				said[row] = map[string]bool{}
			}
			said[row][why] = true
		}
	}
	for row, why := range said {
		out[row] = strings.Join(slices.Sorted(maps.Keys(why)), ", ")
	}
	return out
}

// told names the rows that were throttled, and those of which no sensor told.
func (d drawer) told(cells []analysis.Cell, rowBy []string, m Measure) (notes []string) {
	known := map[string]bool{}
	var rows []string
	for _, c := range cells {
		row := rowName(c.Factors, rowBy)
		if _, there := known[row]; !there {
			rows = append(rows, row)
		}
		known[row] = known[row] || m.Of(c).N > 0
	}
	var silent, throttled []string
	held := d.held(cells, rowBy)
	for _, row := range rows {
		if !known[row] {
			silent = append(silent, row)
		}
		if why := held[row]; why != "" {
			throttled = append(throttled, fmt.Sprintf("%s (%s)", row, why))
		}
	}
	if len(throttled) > 0 {
		notes = append(notes, "Throttled: "+few(throttled))
	}
	if len(silent) > 0 {
		notes = append(notes, "No sensor told of "+few(silent))
	}
	return notes
}

// few joins names, the first of many: a picture has two lines for its words.
func few(names []string) string {
	const most = 3
	if n := len(names) - most; n > 1 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), n)
	}
	return strings.Join(names, ", ")
}
