// Package framecap finds passes whose rate is held by a limiter, or by a screen that is
// waited for: such a pass says nothing about processor or card. No list of rates is
// needed; two signs tell.
//
// The interval: too many frames take the same time. The densest window of half a per cent
// about any frame time holds 35 to 99.7 % of the frames of recorded passes with a cap and at
// most 9.7 % without one. A scene of constant load comes near that, but not in how the
// window is filled: a limiter makes a needle (nearly nothing beside it), or, where it wakes
// late by chance, an edge that no frame falls below; and the level stays where it is, while a
// program's moves with clocks, heat and what is drawn.
//
// The schedule: many frames in a row take the same time though single ones do not. A
// limiter that makes up for late frames, a queue and a screen end each frame at a moment
// that is set beforehand, so that delays do not add up; those of a program do. This sign is
// there at any rate and for every share of late frames.
//
// Where the log's own resolution is coarse beside the frame time, frames share a value
// without any cap, and only the time of many frames in a row can tell; else nothing is said.
//
// Sources: the windows and shares are measured on recorded passes; the comparison of rows
// with single frames is a variance ratio (Lo and MacKinlay 1988) with robust spreads; that
// limiters and screens hold frames for whole intervals is common practice. The limits are
// conventions.
package framecap

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
		Name: "framecap", Version: "3",
		About: "the rate is not pinned by a limiter or a screen",
		Needs: []string{"frames", "an intended cap, if any"},
		Parameters: []plugins.Parameter{
			plugins.Num("window_percent", "0.5", "%",
				"half-width of the window about a frame time in which frames count as alike (measured)"),
			plugins.Num("share_percent", "25", "%",
				"frames within the densest window from which they may be held (measured: at most 9.7 without a cap, at least 35 with one)"),
			plugins.Num("narrow_percent", "0.15", "%",
				"half-width of a needle, beside which nearly no frame lies (a convention)"),
			plugins.Num("inexact_us", "25", "us",
				"how inexact limiters that sleep are: the needle is at least so wide and its level may move by four tenths of it, as far as 0.25 and 0.1 % of the frame time (measured)"),
			plugins.Num("clipped_percent", "12", "%",
				"frames in a needle at the fastest end from which the rate is held at times (a convention)"),
			plugins.Num("shorter_percent", "2", "%", "frames shorter than those at the fastest end, at most (a convention)"),
			plugins.Num("level_percent", "0.05", "%",
				"how far the level of held frames may move through the pass (a convention)"),
			plugins.Num("row_percent", "30", "%",
				"variance of the time of frames in a row, of what independent frames give, up to which a schedule keeps them (a convention)"),
			plugins.Num("part_s", "3", "s", "length from which a part of the pass is judged by itself (a convention)"),
			plugins.Num("part_bad_percent", "10", "%",
				"share of the pass's time that is held from which the pass is bad; below it is doubtful (a convention)"),
			plugins.Num("late_percent", "2.5", "%",
				"how much longer than the intended interval a limiter that wakes late may hold frames; a millisecond more is allowed (a convention)"),
			plugins.Num("coarse_percent", "0.3", "%",
				"resolution of the log, of the frame time, from which frames may share a value without a cap (a convention)"),
			plugins.Num("uneven_percent", "5", "%",
				"spread of the frames in each second from which a pass with a coarse log has no cap (measured: at least 8.2 without a cap, at most 3.3 with one)"),
			{Name: "least_frames", Type: plugins.Integer, Default: "100", About: "frames that the check needs"},
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	x := usable(e.Frames.MS)
	least := max(2*parts, p.Integer("least_frames"))
	if len(x) < least {
		c.Unable("%d frames are too few; the check needs %d", len(x), least)
		return c.Finding("")
	}
	lim := limitsOf(p)
	g := look(x, lim)
	c.Put("median_fps", 1000/pick.Median(x))
	c.Put("interval_ms", g.interval)
	c.Put("window_share_percent", 100*g.window)
	c.Put("window_share_limit_percent", p.Number("share_percent"))
	c.Put("needle_share_percent", 100*g.narrow)
	c.Put("needle_beside_percent", 100*g.ring)
	c.Put("shorter_percent", 100*g.shorter)
	c.Put("late_percent", 100*g.late)
	c.Put("level_drift_percent", 100*g.drift)
	c.Put("row_percent", 100*math.Min(g.few, g.row))
	c.Put("row_limit_percent", p.Number("row_percent"))
	c.Put("second_spread_percent", 100*g.seconds)
	found, coarse := g.judge(lim), false
	if r := resolution(x, e.Frames.Decimals); r > p.Number("coarse_percent")/100*g.interval {
		coarse = true
		c.Put("resolution_ms", r)
		found = g.coarse(x, r, e.Pass.Layout.Source == "timestamp")
		if found == none && !(g.seconds > p.Number("uneven_percent")/100) &&
			share(sorted(x), g.interval-1.01*r, g.interval+1.01*r) >= 0.6 {
			c.Unable("the log is too coarse: its steps of %g ms hide whether there is a frame cap", r)
			return c.Finding("")
		}
	}
	var held []stretch
	if g.window < 1 && !coarse { // else there is nothing beside it, or nothing to tell it by
		held = stretches(x, lim, p.Number("part_s"), least)
	}
	if found != none && onlyIn(held, x, g, lim) {
		found = none
	}
	if found == none {
		return inParts(c, held, x, e.Expected, p)
	}
	at := g.mean
	if found == interval {
		at = g.interval
	}
	rate := named(1000/at, e.Expected)
	c.Put("cap_fps", rate)
	switch found {
	case interval:
		c.Put("by_interval", 1)
	case schedule:
		c.Put("by_schedule", 1)
		c.Put("row_frames", float64(g.rowFrames))
		c.Put("row_spread_percent", 100*g.rowSpread)
	}
	if meant(g.mean, e.Expected.CapFPS, p) || meant(g.interval, e.Expected.CapFPS, p) {
		return c.Finding(fmt.Sprintf("the frame rate is capped at %.4g FPS, as intended", e.Expected.CapFPS))
	}
	outcome := record.Bad
	if found == interval && g.window < lim.share {
		outcome = record.Doubtful // it binds at times
	}
	c.Found(outcome, advice(rate), "the frame rate is capped at %.4g FPS: %s", rate, g.why(found, p))
	return c.Finding("capped")
}

// why names the sign that decided, with what it was seen by.
func (g signs) why(by sign, p plugins.Params) string {
	if by == interval {
		return fmt.Sprintf("%.0f %% of the frames take the same time (%.2f ms, within %g %%)", 100*g.window, g.interval,
			p.Number("window_percent"))
	}
	if g.rowFrames > 0 && g.rowSpread < 0.01 {
		return fmt.Sprintf("any %d frames in a row take the same time, within %.2g %%", g.rowFrames,
			math.Max(0.01, 200*g.rowSpread))
	}
	return "each frame waits for a fixed schedule"
}

func advice(rate float64) string {
	return fmt.Sprintf("turn off the frame limiter and vertical sync, then repeat the pass; if you meant the cap, set expect.cap_fps = %.4g in the configuration or cap_fps in the campaign, then type: capctl recheck", rate)
}

// inParts is the finding of a pass that is not held throughout.
func inParts(c *pick.Case, held []stretch, x []float64, expected record.Expectation, p plugins.Params) record.Finding {
	total, time := 0.0, 0.0
	for _, v := range x {
		total += v / 1000
	}
	longest := -1
	for i, s := range held {
		if meant(s.mean, expected.CapFPS, p) || meant(s.interval, expected.CapFPS, p) {
			continue
		}
		time += s.to - s.from
		if longest < 0 || s.to-s.from > held[longest].to-held[longest].from {
			longest = i
		}
	}
	if longest < 0 {
		return c.Finding("no frame cap")
	}
	s := held[longest]
	rate := named(1000/s.interval, expected)
	c.Put("part_cap_fps", rate)
	c.Put("part_from_s", s.from)
	c.Put("part_to_s", s.to)
	c.Put("part_percent", 100*time/total)
	c.Put("part_window_share_percent", 100*s.window)
	outcome := record.Doubtful
	if 100*time/total >= p.Number("part_bad_percent") {
		outcome = record.Bad
	}
	c.Found(outcome, "keep menus and loading screens out of the pass, or turn off their limiter; then repeat the pass",
		"the frame rate is capped at %.4g FPS from %.0f s to %.0f s, in %.0f %% of the pass", rate, s.from, s.to,
		100*time/total)
	return c.Finding("capped in part")
}

// meant reports whether frames of the given interval are held at the intended rate, or
// by a screen for two or three of its intervals. A limiter may wake late.
func meant(ms, fps float64, p plugins.Params) bool {
	if !(fps > 0) {
		return false
	}
	for k := 1.0; k <= 3; k++ {
		want := k * 1000 / fps
		if ms >= want*0.99 && ms <= want*(1+p.Number("late_percent")/100)+1 && (k == 1 || ms <= want*1.01) {
			return true
		}
	}
	return false
}

// named returns the rate as people would call it, where it is that within 0.3 %: the
// intended cap, a screen's rate or its half or third, a whole number.
func named(fps float64, e record.Expectation) float64 {
	names := []float64{e.CapFPS}
	for k := 1.0; k <= 3; k++ {
		for _, hz := range e.RefreshHz {
			names = append(names, hz/k)
		}
	}
	for _, n := range append(names, math.Round(fps)) {
		if n > 0 && math.Abs(fps/n-1) < 0.003 {
			return n
		}
	}
	return fps
}
