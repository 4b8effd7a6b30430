// Package power sums up what sensors said while passes ran: power, temperature, clock and load of
// card and processor, and frames per watt. Nothing is invented where a sensor lacks: a number that
// is not known is undefined.
package power

import (
	"math"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/record"
	"capd.example/stats"
)

// Reading is what sensors said during one pass. Clocks and loads are medians over the samples,
// powers means, temperatures and most powers the largest.
type Reading struct {
	CardWatts, CardMostWatts, CardTemp, CardClock, CardBusy analysis.Number
	CPUWatts, CPUMostWatts, CPUTemp, CPUClock, CPUBusy      analysis.Number
	// Held says what held the card's clock back in how much of the samples, from 0 to 1, by the
	// card's own word; nil where it gives no reasons.
	Held map[string]float64
	// CPUEvents is how often the processor throttled during the pass.
	CPUEvents analysis.Number
}

// least is the share of samples that must be known for a number to be told (a convention).
const least = 0.5

// Of reads the telemetry of a pass; false where no sensor that counts here said anything.
func Of(t *record.Telemetry) (Reading, bool) {
	values := func(name string) []float64 {
		s, ok := t.Find(record.Numbered(name, 0))
		if known := s.Known(); ok && len(known) > 0 && float64(len(known)) >= least*float64(len(s.Values)) {
			return known
		}
		return nil
	}
	mean := func(name string) analysis.Number {
		v := values(name)
		if len(v) == 0 {
			return analysis.Undefined
		}
		sum := 0.0
		for _, x := range v {
			sum += x
		}
		return analysis.Number(sum / float64(len(v)))
	}
	most := func(name string) analysis.Number {
		v := values(name)
		if len(v) == 0 {
			return analysis.Undefined
		}
		return analysis.Number(slices.Max(v))
	}
	median := func(name string) analysis.Number { return analysis.Median(values(name)) }
	r := Reading{CardWatts: mean(record.SeriesGPUPower), CardMostWatts: most(record.SeriesGPUPower),
		CardTemp: most(
			record.SeriesGPUTemp,
		), CardClock: median(record.SeriesGPUClock), CardBusy: median(record.SeriesGPUBusy),
		CPUWatts: mean(
			record.SeriesCPUPower,
		), CPUMostWatts: most(record.SeriesCPUPower), CPUTemp: most(record.SeriesCPUTemp),
		CPUClock: median(record.SeriesCPUClock), CPUBusy: median(record.SeriesBusy), CPUEvents: analysis.Undefined}
	if v := values(record.SeriesCPUThrottle); len(v) > 1 {
		r.CPUEvents = analysis.Number(v[len(v)-1] - v[0]) // counted since the start of the machine
	}
	if v := values(record.SeriesGPUReasons); len(v) > 0 {
		r.Held = map[string]float64{}
		for _, x := range v {
			for bit, name := range map[int]string{record.ThrottlePower: "power limit", record.ThrottleThermal: "heat",
				record.ThrottleHard: "hardware slowdown", record.ThrottleOther: "other"} {
				if int(x)&bit != 0 {
					r.Held[name] += 1 / float64(len(v))
				}
			}
		}
	}
	known := r.Held != nil || r.CPUEvents.Known()
	for _, x := range r.numbers() {
		known = known || x.Known()
	}
	return r, known
}

func (r Reading) numbers() []analysis.Number {
	return []analysis.Number{
		r.CardWatts,
		r.CardMostWatts,
		r.CardTemp,
		r.CardClock,
		r.CardBusy,
		r.CPUWatts,
		r.CPUMostWatts,
		r.CPUTemp,
		r.CPUClock,
		r.CPUBusy,
	}
}

// Sum is what sensors said of a cell, or of all cells of a part.
type Sum struct {
	Factors map[string]string `json:"factors"`
	Passes  int               `json:"passes"` // with readings

	// Frames per watt of the card, and of card and processor together: average rate over mean
	// power. Of a part the geometric mean over its cells.
	PerWatt     analysis.Number `json:"fps_per_watt"`
	PerWattLow  analysis.Number `json:"fps_per_watt_ci_low"`
	PerWattHigh analysis.Number `json:"fps_per_watt_ci_high"`
	PerWattBoth analysis.Number `json:"fps_per_watt_both"`
	perWatt     int             // passes with frames per watt of the card

	CardWatts     analysis.Number `json:"card_watts"`
	CardMostWatts analysis.Number `json:"card_watts_most"`
	CardTemp      analysis.Number `json:"card_temperature_most"`
	CardClock     analysis.Number `json:"card_clock_mhz"`
	CardBusy      analysis.Number `json:"card_busy_percent"`
	CPUWatts      analysis.Number `json:"processor_watts"`
	CPUMostWatts  analysis.Number `json:"processor_watts_most"`
	CPUTemp       analysis.Number `json:"processor_temperature_most"`
	CPUClock      analysis.Number `json:"processor_clock_mhz"`
	CPUBusy       analysis.Number `json:"processor_busy_percent"`

	// Throttled names what held clocks back other than the card's power limit, which is normal
	// at full load; "" for nothing, or where no sensor tells.
	Throttled string `json:"throttled,omitempty"`

	order []string
}

// Name names the cell or the part.
func (s Sum) Name() string {
	if name := analysis.NameOf(s.Factors, s.order); name != "" {
		return name
	}
	return analysis.NoTags
}

// Figure is the frames per watt of the card as a figure, for pictures.
func (s Sum) Figure() analysis.Figure {
	if !s.PerWatt.Known() {
		return analysis.Figure{}
	}
	return analysis.Figure{N: s.perWatt, Mean: s.PerWatt, CILow: s.PerWattLow, CIHigh: s.PerWattHigh, Shown: "mean"}
}

// Cells sums up readings, by the identity of the pass, for each cell that has any.
func Cells(cells []analysis.Cell, readings map[string]Reading, o analysis.Options) []Sum {
	o = o.WithDefaults()
	out := []Sum{}
	for _, c := range cells {
		var list []Reading
		var perWatt, both []float64
		for _, p := range c.Counted() {
			r, ok := readings[p.ID]
			if !ok {
				continue
			}
			list = append(list, r)
			if w := float64(r.CardWatts); w > 0 && p.Metrics.AvgFPS > 0 {
				perWatt = append(perWatt, math.Log(p.Metrics.AvgFPS/w))
				if v := float64(r.CPUWatts); v > 0 {
					both = append(both, math.Log(p.Metrics.AvgFPS/(w+v)))
				}
			}
		}
		if len(list) == 0 {
			continue
		}
		s := Sum{Factors: c.Factors, Passes: len(list), perWatt: len(perWatt), order: o.Factors}
		s.PerWatt, s.PerWattLow, s.PerWattHigh = geometric(perWatt, o.Confidence)
		if s.PerWattBoth = analysis.Undefined; len(both) == len(perWatt) {
			s.PerWattBoth, _, _ = geometric(both, o.Confidence)
		}
		s.add(list)
		out = append(out, s)
	}
	return out
}

// geometric is the geometric mean of logarithms with Student's interval, undefined for one.
func geometric(log []float64, confidence float64) (mean, low, high analysis.Number) {
	if len(log) == 0 {
		return analysis.Undefined, analysis.Undefined, analysis.Undefined
	}
	m, n := 0.0, float64(len(log))
	for _, x := range log {
		m += x / n
	}
	mean, low, high = analysis.Number(math.Exp(m)), analysis.Undefined, analysis.Undefined
	if len(log) < 2 {
		return mean, low, high
	}
	ss := 0.0
	for _, x := range log {
		ss += (x - m) * (x - m)
	}
	half := stats.TQuantile(0.5+confidence/2, n-1) * math.Sqrt(ss/(n-1)/n)
	return mean, analysis.Number(math.Exp(m - half)), analysis.Number(math.Exp(m + half))
}

// add fills in means, and largest values, over readings.
func (s *Sum) add(list []Reading) {
	over := func(of func(Reading) analysis.Number, largest bool) analysis.Number {
		sum, n, most := 0.0, 0.0, math.Inf(-1)
		for _, r := range list {
			if v := of(r); v.Known() {
				sum, n, most = sum+float64(v), n+1, math.Max(most, float64(v))
			}
		}
		switch {
		case n == 0:
			return analysis.Undefined
		case largest:
			return analysis.Number(most)
		}
		return analysis.Number(sum / n)
	}
	s.CardWatts = over(func(r Reading) analysis.Number { return r.CardWatts }, false)
	s.CardMostWatts = over(func(r Reading) analysis.Number { return r.CardMostWatts }, true)
	s.CardTemp = over(func(r Reading) analysis.Number { return r.CardTemp }, true)
	s.CardClock = over(func(r Reading) analysis.Number { return r.CardClock }, false)
	s.CardBusy = over(func(r Reading) analysis.Number { return r.CardBusy }, false)
	s.CPUWatts = over(func(r Reading) analysis.Number { return r.CPUWatts }, false)
	s.CPUMostWatts = over(func(r Reading) analysis.Number { return r.CPUMostWatts }, true)
	s.CPUTemp = over(func(r Reading) analysis.Number { return r.CPUTemp }, true)
	s.CPUClock = over(func(r Reading) analysis.Number { return r.CPUClock }, false)
	s.CPUBusy = over(func(r Reading) analysis.Number { return r.CPUBusy }, false)
	why := map[string]bool{}
	for _, r := range list {
		for name := range r.Held {
			if name != "power limit" && name != "other" {
				why["card: "+name] = true
			}
		}
		if r.CPUEvents > 0 {
			why["processor: heat"] = true
		}
	}
	var said []string
	for w := range why {
		said = append(said, w)
	}
	slices.Sort(said)
	s.Throttled = strings.Join(said, ", ")
}

// Parts sums up the cells of each level of a factor, over the cells that all of its levels have:
// parts that were measured in other games would not compare. Levels with less than half of the
// cells of the others are left out.
func Parts(cells []analysis.Cell, by string, readings map[string]Reading, o analysis.Options) []Sum {
	o = o.WithDefaults()
	told := slices.DeleteFunc(slices.Clone(cells), func(c analysis.Cell) bool {
		return !slices.ContainsFunc(c.Counted(), func(p record.Pass) bool { _, ok := readings[p.ID]; return ok })
	})
	m := analysis.NewMatrix(told, o.Factors)
	rows, levels := m.Common(by, nil)
	out := []Sum{}
	for _, level := range levels {
		s := Sum{Factors: map[string]string{by: level}, order: []string{by}, PerWatt: analysis.Undefined,
			PerWattLow: analysis.Undefined, PerWattHigh: analysis.Undefined, PerWattBoth: analysis.Undefined}
		var list []Reading
		var own []analysis.Cell
		for _, row := range rows {
			if c, ok := m.With(row, by, level); ok {
				own = append(own, c)
				for _, p := range c.Counted() {
					if r, ok := readings[p.ID]; ok {
						list = append(list, r)
					}
				}
			}
		}
		var perWatt, both []float64
		for _, x := range Cells(own, readings, o) {
			if x.PerWatt.Known() {
				perWatt = append(perWatt, math.Log(float64(x.PerWatt)))
				s.perWatt += x.perWatt
			}
			if x.PerWattBoth.Known() {
				both = append(both, math.Log(float64(x.PerWattBoth)))
			}
		}
		if len(list) == 0 {
			continue
		}
		if s.Passes = len(list); len(perWatt) == len(own) {
			s.PerWatt, _, _ = geometric(perWatt, o.Confidence)
		}
		if len(both) == len(own) {
			s.PerWattBoth, _, _ = geometric(both, o.Confidence)
		}
		s.add(list)
		out = append(out, s)
	}
	return out
}
