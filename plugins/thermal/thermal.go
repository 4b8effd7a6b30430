// Package thermal finds passes that heat held back.
//
// It asks, in this order of trust: the graphics card's own reasons for lower clocks; the
// processor's count of throttling events; and where neither is there, clocks that fall
// under steady load near the temperature limit (trend test). A clock that
// never moves is no look at heat: some systems repeat the base clock whatever the
// processor does. A pass that began much colder or hotter than the cell's others is
// doubtful as well: its clocks had another start. Limits are conventions (common practice, no source); the makers' own limits
// differ by part and count before any of these.
package thermal

import (
	"context"
	"math"
	"slices"
	"strconv"
	"strings"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/plugins/internal/trend"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "thermal", Version: "3",
		About: "neither processor nor graphics card was slowed by heat, and the bench was as warm as for the cell's other passes",
		Needs: []string{"telemetry: throttle reasons, throttle counts, or clocks, loads and temperatures"},
		Parameters: []plugins.Parameter{
			plugins.Num("reasons_percent", "2", "% of the samples",
				"samples with a thermal reason of the graphics card from which the pass is doubtful"),
			plugins.Num("reasons_bad_percent", "10", "% of the samples",
				"samples with a thermal reason from which the pass is bad"),
			plugins.Num("events", "1", "", "throttling events of the processor from which the pass is doubtful"),
			plugins.Num("events_bad", "20", "", "throttling events of the processor from which the pass is bad"),
			plugins.Num("near_cpu_c", "85", "degrees C", "processor temperature from which falling clocks are blamed on heat"),
			plugins.Num("near_gpu_c", "80", "degrees C",
				"graphics card temperature from which falling clocks are blamed on heat, where the card does not say at which it throttles"),
			plugins.Num("near_own_c", "3", "degrees C", "the same where a card says at which temperature it throttles: so far below that"),
			plugins.Num("clock_fall_percent", "3", "%", "fall of the clock over the pass from which the pass is doubtful"),
			plugins.Num("clock_fall_bad_percent", "10", "%",
				"fall of the clock near the temperature limit from which the pass is bad"),
			plugins.Num("load_percent", "5", "%", "change of the load over the pass up to which it counts as steady"),
			plugins.Num("p", "0.01", "", "probability of the trend by chance, below which it counts"),
			plugins.Num("start_c", "12", "degrees C", "difference of the temperature at start from the cell's other passes"),
		},
	}
}

const cool = "let the bench cool down; switch it off and unplug it before you look at fans and cooler; then repeat the pass; keep to the makers' temperature limits and your local rules"

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	var looked []string
	say := func(what string, did bool) {
		if did {
			looked = append(looked, what)
		}
	}
	say("the graphics card's reasons", reasons(c, e, p))
	counted := events(c, e, p)
	say("the processor's throttle count", counted)
	var still []string
	clock := func(what, part string, values []float64, moves bool, load, temp string, near limit) {
		did := clocks(c, e, p, part, values, load, temp, near)
		if did && !moves {
			still = append(still, what)
		}
		say(what, did && moves)
	}
	if !counted {
		values, moves := processorClock(e)
		clock("the processor's clock", "processor", values, moves, record.SeriesBusy, record.SeriesCPUTemp,
			limit{"near_cpu_c", p.Number("near_cpu_c")})
	}
	for _, n := range cards(e) {
		if _, known := e.Telemetry.Find("gpu." + n + ".throttle"); !known {
			s, _ := e.Telemetry.Find("gpu." + n + ".clock")
			clock("the clock of graphics card "+n, "graphics card "+n, s.Values, varies(s.Values), "gpu."+n+".busy",
				"gpu."+n+".temp", cardLimit(e, p, n))
		}
	}
	say("the temperature at start", start(c, e, p))
	switch {
	case len(still) > 0:
		c.Unable("%s never changed, so this may be only the base clock", strings.Join(still, ", "))
	case len(looked) == 0:
		c.Unable("no temperature sensor: %s", pick.Missing(e, record.SeriesCPUTemp))
	}
	if len(looked) == 0 {
		return c.Finding("")
	}
	return c.Finding("no sign of heat in " + strings.Join(looked, ", "))
}

// cards lists the numbers of the graphics cards that the telemetry knows.
func cards(e record.Evidence) []string {
	if e.Telemetry == nil {
		return nil
	}
	var out []string
	for _, s := range e.Telemetry.Series {
		if rest, ok := strings.CutPrefix(s.Name, "gpu."); ok {
			if n, what, _ := strings.Cut(rest, "."); what == "clock" || what == "throttle" {
				if len(out) == 0 || out[len(out)-1] != n {
					out = append(out, n)
				}
			}
		}
	}
	return out
}

// reasons counts the samples in which a card said that it was hot.
func reasons(c *pick.Case, e record.Evidence, p plugins.Params) bool {
	if e.Telemetry == nil {
		return false
	}
	looked := false
	for _, s := range e.Telemetry.Series {
		if !strings.HasPrefix(s.Name, "gpu.") || !strings.HasSuffix(s.Name, ".throttle") {
			continue
		}
		x := s.Known()
		if len(x) == 0 {
			continue
		}
		looked = true
		hot, power := 0, 0
		for _, v := range x {
			if int(v)&(record.ThrottleThermal|record.ThrottleHard) != 0 {
				hot++
			}
			if int(v)&record.ThrottlePower != 0 {
				power++
			}
		}
		card := "graphics card " + strings.Split(s.Name, ".")[1]
		share := 100 * float64(hot) / float64(len(x))
		c.Put("gpu_thermal_percent", max(share, c.Numbers["gpu_thermal_percent"]))
		c.Put("gpu_power_percent", 100*float64(power)/float64(len(x)))
		c.Put("gpu_thermal_limit_percent", p.Number("reasons_percent"))
		if o := grade(share, p.Number("reasons_percent"), p.Number("reasons_bad_percent")); o != record.OK {
			c.Found(o, cool, "%s reported heat or a hardware slowdown in %d of %s (%.0f %%, limits %g and %g %%)", card, hot,
				record.Count(len(x), "sample"), share, p.Number("reasons_percent"), p.Number("reasons_bad_percent"))
		}
	}
	return looked
}

// events reads the processor's cumulative count.
func events(c *pick.Case, e record.Evidence, p plugins.Params) bool {
	s, ok := e.Telemetry.Find(record.SeriesCPUThrottle)
	x := s.Known()
	if !ok || len(x) < 2 {
		return false
	}
	n := x[len(x)-1] - x[0]
	c.Put("cpu_events", n)
	c.Put("cpu_events_limit", p.Number("events"))
	if o := grade(n, p.Number("events"), p.Number("events_bad")); o != record.OK {
		c.Found(o, cool, "the processor counted %.0f throttling events during the pass (limits %g and %g)", n,
			p.Number("events"), p.Number("events_bad"))
	}
	return true
}

func grade(x, doubtful, bad float64) record.Outcome {
	switch {
	case x >= bad:
		return record.Bad
	case x >= doubtful:
		return record.Doubtful
	}
	return record.OK
}

// processorClock returns the processor's clock at each sample, and whether it is seen to
// move: that of all cores together, which shows the boost, or else that of each, which on
// some systems ends at the base clock and still moves where a core rests.
func processorClock(e record.Evidence) (clock []float64, moves bool) {
	if all, ok := e.Telemetry.Find(record.SeriesCPUClock); ok && varies(all.Values) {
		return all.Values, true
	}
	return coreClock(e)
}

// varies reports whether two known values differ.
func varies(x []float64) bool {
	known := record.Series{Values: x}.Known()
	return len(known) > 0 && slices.Min(known) < slices.Max(known)
}

// coreClock returns the mean clock of all cores at each sample, and whether that of any
// core moves: which cores are read may change, and with them the mean.
func coreClock(e record.Evidence) (mean []float64, moves bool) {
	if e.Telemetry == nil {
		return nil, false
	}
	var sum, n []float64
	for _, s := range e.Telemetry.Series {
		if !strings.HasPrefix(s.Name, "cpu.core.") || !strings.HasSuffix(s.Name, ".clock") {
			continue
		}
		moves = moves || varies(s.Values)
		if sum == nil {
			sum, n = make([]float64, len(s.Values)), make([]float64, len(s.Values))
		}
		for i, v := range s.Values {
			if i < len(sum) && !math.IsNaN(v) {
				sum[i] += v
				n[i]++
			}
		}
	}
	for i := range sum {
		sum[i] /= n[i] // NaN where no core could be read
	}
	return sum, moves
}

// limit is a temperature from which falling clocks are blamed on heat.
type limit struct {
	name    string
	degrees float64
}

// cardLimit is near the temperature at which the card says that it begins to throttle: it is
// held just below that then. A card that does not say has the setting's.
func cardLimit(e record.Evidence, p plugins.Params, n string) limit {
	if f, known := e.System.Get("graphics." + n + "." + record.FieldThrottleTemp); known && f.Unknown == "" {
		if own, err := strconv.ParseFloat(f.Value, 64); err == nil && own > 0 {
			return limit{"near_own_c", own - p.Number("near_own_c")}
		}
	}
	return limit{"near_gpu_c", p.Number("near_gpu_c")}
}

// clocks looks for a clock that falls while the load does not. Clocks that vary for other
// reasons are let be: the fall must be a trend, of a size, and under load.
func clocks(c *pick.Case, e record.Evidence, p plugins.Params, part string, clock []float64, load,
	temp string, near limit) bool {
	t := trend.Of(clock)
	first := pick.Median(record.Series{Values: clock[:len(clock)/3]}.Known())
	if t.N < 10 || !(first > 0) {
		return false
	}
	fall := -100 * t.Total / first
	name := strings.ReplaceAll(strings.Split(part, " ")[0], "graphics", "gpu")
	c.Put(name+"_clock_fall_percent", fall)
	c.Put("clock_fall_limit_percent", p.Number("clock_fall_percent"))
	c.Put(name+"_clock_fall_p", t.P)
	c.Put("clock_fall_p_limit", p.Number("p"))
	if t.P >= p.Number("p") || fall < p.Number("clock_fall_percent") {
		return true
	}
	busy, ok := e.Telemetry.Find(load)
	if !ok || math.Abs(trend.Of(busy.Values).Total) > p.Number("load_percent") {
		return true // the clock follows the load
	}
	degrees, known := e.Telemetry.Find(temp)
	hottest := pick.Quantile(degrees.Known(), 0.95)
	switch {
	case !known || math.IsNaN(hottest):
		c.Found(record.Doubtful, cool,
			"the clock of the %s fell by %.1f %% under steady load (limit %g %%); its temperature is unknown", part, fall,
			p.Number("clock_fall_percent"))
	case hottest >= near.degrees:
		c.Put(name+"_hottest_c", hottest)
		c.Put(near.name+"_limit", near.degrees)
		o := grade(fall, p.Number("clock_fall_percent"), p.Number("clock_fall_bad_percent"))
		c.Found(o, cool,
			"the clock of the %s fell by %.1f %% under steady load at %.0f degrees C (limits %g %%, %g degrees C)", part, fall,
			hottest, p.Number("clock_fall_percent"), near.degrees)
	}
	return true
}

// start compares the first temperatures with those of the cell's other passes.
func start(c *pick.Case, e record.Evidence, p plugins.Params) bool {
	if e.Telemetry == nil {
		return false
	}
	looked := false
	for _, s := range e.Telemetry.Series {
		x := s.Known()
		if !strings.HasSuffix(s.Name, ".temp") || len(x) == 0 {
			continue
		}
		var others []float64
		for _, o := range pick.Usable(e.Earlier) {
			if v, ok := o.StartTemp[s.Name]; ok && !math.IsNaN(v) {
				others = append(others, v)
			}
		}
		if len(others) < 2 {
			continue
		}
		looked = true
		usual := pick.Median(others)
		c.Put(strings.ReplaceAll(s.Name, ".", "_")+"_start_c", x[0])
		c.Put(strings.ReplaceAll(s.Name, ".", "_")+"_usual_c", usual)
		c.Put("start_limit_c", p.Number("start_c"))
		if d := x[0] - usual; math.Abs(d) >= p.Number("start_c") {
			c.Found(record.Doubtful,
				"start as warm as in the other passes: warm the bench up with a pass that you throw away, or let it cool down",
				"%s began at %.0f degrees C, the cell's %s at %.0f (limit %g degrees)", s.Name, x[0],
				record.Count(len(others), "other pass"), usual, p.Number("start_c"))
		}
	}
	return looked
}
