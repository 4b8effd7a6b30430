// Package completeness finds passes whose log is not whole: too short, too long, cut
// off, with holes, or of two recordings.
//
// The length is compared with what was expected (plan or configuration), else with the
// median of the cell's earlier passes. A log that carries neither can still be seen to be
// broken by what its reader remarked.
package completeness

import (
	"context"
	"fmt"
	"maps"
	"math"
	"strconv"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Name is that of the check.
const Name = "completeness"

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: Name, Version: "2",
		About: "the log is whole: as long as expected, not cut off, without holes, of one recording, and the machine did not sleep meanwhile",
		Needs: []string{"expected length, or earlier passes of the cell"},
		Parameters: []plugins.Parameter{
			plugins.Num("tolerance_s", "1", "s",
				"allowed difference from an expected length where the plan states none; the larger of this and tolerance_percent counts"),
			plugins.Num("tolerance_percent", "2", "%", "allowed difference from an expected length, relative"),
			plugins.Num("earlier_percent", "5", "%", "allowed difference from the median length of earlier passes"),
			plugins.Num("left_out_percent", "1", "%", "rows without a usable frame time before the pass is doubtful"),
			plugins.Num("window_s", "3", "s", "how much longer the telemetry may be than the log"),
			plugins.Num("slept_s", "0.5", "s", "how long the machine may sleep while the pass is recorded"),
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	got := e.Pass.Metrics.DurationS
	if got == 0 {
		got = e.Frames.TotalMS() / 1000
	}
	c.Put("got_s", got)
	measured := length(c, e, p, got)
	remarks(c, e, p, measured)
	window(c, e, p, got)
	slept(c, e, p)
	if measured == "" {
		c.Unable("the expected length is unknown; the log is %.1f s long", got)
	}
	return c.Finding(measured)
}

const repeat = "repeat the pass and let the logger run to the end of the scene"

// length compares the length and returns the sentence for a good one, "" where there is
// nothing to compare with.
func length(c *pick.Case, e record.Evidence, p plugins.Params, got float64) string {
	want, tolerance, from := e.Expected.DurationS, e.Expected.ToleranceS, "expected"
	short := record.Bad
	if want > 0 {
		if tolerance <= 0 {
			tolerance = math.Max(p.Number("tolerance_s"), want*p.Number("tolerance_percent")/100)
		}
	} else {
		var lengths []float64
		for _, x := range pick.Usable(e.Earlier) {
			lengths = append(lengths, x.Pass.Metrics.DurationS)
		}
		if len(lengths) == 0 {
			return ""
		}
		// Of two passes nobody knows which one is short.
		if len(lengths) == 1 {
			short = record.Doubtful
		}
		want = pick.Median(lengths)
		tolerance = want * p.Number("earlier_percent") / 100
		from = "long in the cell's other passes"
		c.Put("earlier_passes", float64(len(lengths)))
	}
	c.Put("expected_s", want)
	c.Put("tolerance_s", tolerance)
	switch {
	case got < want-tolerance:
		c.Found(short, repeat, "the log covers %.1f s of the %.1f s %s (%.1f s allowed)", got, want, from, tolerance)
	case got > want+tolerance:
		c.Found(record.Doubtful, "check whether the scene ran on or the logger stopped late",
			"the log covers %.1f s, more than the %.1f s %s (%.1f s allowed)", got, want, from, tolerance)
	}
	return fmt.Sprintf("the log covers %.1f s of the %.1f s %s", got, want, from)
}

func remarks(c *pick.Case, e record.Evidence, p plugins.Params, measured string) {
	for _, r := range e.Pass.Remarks {
		switch r.Kind {
		case record.RemarkCutOff:
			o := record.Bad
			if measured != "" { // long enough or already bad: what is missing is a line
				o = record.Doubtful
			}
			c.Put("cut_off_line", float64(r.Line))
			c.Found(o, "check whether something killed the logger or the disk was full; then repeat the pass",
				"the log ends in the middle of line %d", r.Line)
		case record.RemarkGap:
			c.Put("gap_line", float64(r.Line))
			c.Found(record.Bad, "repeat the pass: frames are missing", "the log has a hole at line %d: %s", r.Line, r.Text)
		case record.RemarkRestarted:
			c.Put("restarted_line", float64(r.Line))
			c.Found(record.Bad, "repeat the pass with one recording per log", "the logger started again at line %d: %s", r.Line,
				r.Text)
		case record.RemarkHeldOpen:
			c.Found(record.Doubtful, "close the logger; the agent then reads the log again",
				"the logger was still writing when the agent read the log")
		case record.RemarkLeftOut:
			share := 100 * float64(r.Count) / float64(max(1, r.Count+len(e.Frames.MS)))
			c.Put("left_out_percent", share)
			c.Put("left_out_limit_percent", p.Number("left_out_percent"))
			if share > p.Number("left_out_percent") {
				c.Found(record.Doubtful, "look at the log from that line on",
					"%s have no usable frame time (%.1f %%, limit %g %%), the first in line %d", record.Count(r.Count, "row"), share,
					p.Number("left_out_percent"), r.Line)
			}
		}
	}
}

// window compares the log with the time over which samples were kept for it.
func window(c *pick.Case, e record.Evidence, p plugins.Params, got float64) {
	if e.Telemetry == nil || len(e.Telemetry.At) < 2 {
		return
	}
	at := e.Telemetry.At
	span := at[len(at)-1].Sub(at[0]).Seconds()
	c.Put("window_s", span)
	if limit := p.Number("window_s"); span-got > limit {
		c.Put("window_limit_s", limit)
		c.Found(record.Doubtful, repeat, "%s", longer(got, span, limit))
	}
}

// slept looks at whether the machine slept while the pass was recorded: what came before it and
// what came after are two measurements, whatever the log's clock says.
func slept(c *pick.Case, e record.Evidence, p plugins.Params) {
	s, ok := e.Telemetry.Find(record.SeriesSlept)
	if !ok {
		return
	}
	sum := 0.0
	for _, v := range s.Known() {
		sum += v
	}
	c.Put("slept_s", sum)
	if limit := p.Number("slept_s"); sum > limit {
		c.Put("slept_limit_s", limit)
		c.Found(record.Bad, wake, "%s", asleep(sum, limit))
	}
}

const wake = "switch off sleep and hibernation on the bench while it measures, and repeat the pass"

func asleep(sum, limit float64) string {
	return fmt.Sprintf("the machine slept for %.1f s during the pass (%g s allowed)", sum, limit)
}

func longer(got, span, limit float64) string {
	return fmt.Sprintf("the log covers %.1f s, but the pass took %.1f s (%g s allowed)", got, span, limit)
}

// Remember returns a finding on a pass whose samples are gone with what an earlier one knew
// by them, held against the limits of now: over how long the bench was sampled for it, and
// whether the machine slept.
func Remember(now, was record.Finding) record.Finding {
	got, measured := now.Numbers["got_s"]
	if !measured {
		return now
	}
	now = remember(now, was, record.Doubtful, repeat, "window", got, func(span, limit float64) string {
		return longer(got, span, limit)
	})
	return remember(now, was, record.Bad, wake, "slept", 0, asleep)
}

// remember brings one number back, named what_s as is its limit, and finds the outcome where it
// is more than base and the limit.
func remember(now, was record.Finding, o record.Outcome, advice, what string, base float64,
	say func(is, limit float64) string) record.Finding {
	is, knew := was.Numbers[what+"_s"]
	if _, knows := now.Numbers[what+"_s"]; !knew || knows {
		return now
	}
	limit, err := strconv.ParseFloat(now.Params[what+"_s"], 64)
	if err != nil {
		return now
	}
	now.Numbers = maps.Clone(now.Numbers)
	now.Numbers[what+"_s"] = is
	if is-base <= limit {
		return now
	}
	now.Numbers[what+"_limit_s"] = limit
	text := say(is, limit)
	switch {
	case now.Outcome == record.Bad, now.Outcome == record.Doubtful && o == record.Doubtful:
		now.Reason += "; " + text
	case now.Outcome == record.Doubtful: // the worst comes first
		now.Outcome, now.Reason, now.Advice = o, text+"; "+now.Reason, advice
	default:
		now.Outcome, now.Reason, now.Advice = o, text, advice
	}
	return now
}
