// Package clock asks whether the log's time can be true: its own stamps against its
// frame times, its unit against what a screen can show and what the cell's other passes
// say, and its end against the wall clock.
package clock

import (
	"context"
	"fmt"
	"math"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "clock", Version: "1",
		About: "the log's time agrees with the wall clock, and its unit is right",
		Needs: []string{"frames", "time of the log's completion", "expected length or earlier passes (for the unit)"},
		Parameters: []plugins.Parameter{
			plugins.Num("least_fps", "1", "FPS", "average below which the unit must be wrong"),
			plugins.Num("most_fps", "5000", "FPS", "average above which the unit must be wrong"),
			plugins.Num("future_s", "5", "s", "how much later than the completion of the log its pass may end"),
			plugins.Num("rate_percent", "2", "%",
				"difference of the log's time base from the wall clock from which it is doubtful"),
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	m := e.Pass.Metrics
	if m.Frames == 0 || m.DurationS <= 0 {
		c.Unable("there are no frames")
		return c.Finding("")
	}
	c.Put("avg_fps", m.AvgFPS)
	declare := "declare the log's layout with its unit; then the agent reads it again"
	if m.AvgFPS < p.Number("least_fps") || m.AvgFPS > p.Number("most_fps") {
		c.Found(record.Bad, declare, "the log's unit is wrong: it gives an average of %.4g FPS (limits %g to %g) with %q",
			m.AvgFPS, p.Number("least_fps"), p.Number("most_fps"), e.Pass.Layout.Unit)
	}
	for _, r := range e.Pass.Remarks {
		if r.Kind == record.RemarkTimeBase {
			c.Found(record.Doubtful, "compare the log's columns and declare which one is right", "%s", r.Text)
		}
	}
	unit(c, e, declare)
	wall(c, e, p)
	return c.Finding(fmt.Sprintf("%d frames take %.1f s, an average of %.1f FPS", m.Frames, m.DurationS, m.AvgFPS))
}

// unit compares with the expected length and the cell's other passes: a wrong unit is off
// by a power of a thousand, which nothing else is.
func unit(c *pick.Case, e record.Evidence, advice string) {
	want, from := e.Expected.DurationS, "expected"
	if want <= 0 {
		var lengths []float64
		for _, x := range pick.Usable(e.Earlier) {
			lengths = append(lengths, x.Pass.Metrics.DurationS)
		}
		want, from = pick.Median(lengths), "of the cell's other passes"
	}
	if !(want > 0) {
		return
	}
	ratio := e.Pass.Metrics.DurationS / want
	c.Put("length_ratio", ratio)
	for _, power := range []float64{1e-6, 1e-3, 1e3, 1e6} {
		if math.Abs(math.Log(ratio/power)) < math.Log(1.5) {
			c.Found(record.Bad, advice, "the log's unit %q is wrong: its %.4g s are about %g times the %.4g s %s",
				e.Pass.Layout.Unit, e.Pass.Metrics.DurationS, power, want, from)
		}
	}
}

// wall compares the end with the wall clock and the length with the telemetry of the
// same frames, where the samples cover no more than the pass.
func wall(c *pick.Case, e record.Evidence, p plugins.Params) {
	if e.Pass.LogAt.IsZero() || e.Pass.EndedAt.IsZero() {
		c.Unable("it is unknown when the log was complete")
		return
	}
	ahead := e.Pass.EndedAt.Sub(e.Pass.LogAt).Seconds()
	c.Put("ahead_s", ahead)
	c.Put("ahead_limit_s", p.Number("future_s"))
	if ahead > p.Number("future_s") {
		c.Found(record.Doubtful, "set the clocks of bench and logger; a slow clock of the logger does the same",
			"by its own clock, the pass ended %.1f s after its log was complete (limit %g s)", ahead, p.Number("future_s"))
	}
	span := e.Pass.EndedAt.Sub(e.Pass.StartedAt).Seconds()
	if e.Pass.StartedAt.IsZero() || span <= 0 {
		return
	}
	off := 100 * (e.Pass.Metrics.DurationS/span - 1)
	c.Put("time_base_percent", off)
	c.Put("time_base_limit_percent", p.Number("rate_percent"))
	if math.Abs(off) > p.Number("rate_percent") {
		c.Found(record.Doubtful, "compare the logger's clock with another one",
			"the frames add up to %.2f s, but the pass took %.2f s: %+.1f %% (limit %g %%)", e.Pass.Metrics.DurationS, span,
			off, p.Number("rate_percent"))
	}
}
