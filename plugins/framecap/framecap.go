// Package framecap finds passes whose rate is pinned at a refresh rate or a round limit,
// by a limiter or by a screen that is waited for: such a pass says nothing about
// processor or card.
//
// The median says at which rate frames would be held. It is a cap when at least
// share_percent of the frames lie within tolerance_percent of one, two or three intervals
// of that rate, hardly any frame is shorter, and intervals beside it are hit by far fewer:
// an uncapped pass has some of its frames near any rate. A limiter that sleeps wakes late
// by about the same each time: a median up to late_percent above an interval is a cap as
// well, but only when nearly all frames lie beside the median. The limits are conventions.
package framecap

import (
	"context"
	"fmt"
	"math"
	"slices"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
	"capd.example/stats"
)

// round are the limits that limiters and screens are commonly set to, in Hz (common
// practice, no source), with the rates of television (SMPTE ST 12-1: 24, 30 and 60 by
// 1.001).
var round = []float64{24 / 1.001, 24, 25, 30 / 1.001, 30, 40, 45, 48, 50, 60 / 1.001, 60, 72, 75, 80, 90, 100,
	120, 138, 140, 141, 144, 150, 160, 162, 165, 175, 180, 200, 225, 240, 250, 280, 300, 360, 400, 480, 500, 540, 600, 1000}

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "framecap", Version: "2",
		About: "the rate is not pinned by a limiter or a screen",
		Needs: []string{"frames", "refresh rates and an intended cap, if any"},
		Parameters: []plugins.Parameter{
			pick.Num("tolerance_percent", "1", "%", "difference from the interval within which a frame hits it"),
			pick.Num("share_percent", "50", "%", "frames that hit the interval or two or three of it, at least"),
			pick.Num("shorter_percent", "5", "%", "frames shorter than the interval, at most; limiters may hurry after a late frame"),
			pick.Num("beside_percent", "60", "%", "of the share that intervals 5 % shorter and longer may have, at most"),
			pick.Num("median_percent", "1", "%", "difference of the median from the interval, at most"),
			pick.Num("late_percent", "2.5", "%", "frames of a limiter that wakes late are longer than the interval by this, at most"),
			pick.Num("late_share_percent", "90", "%", "frames that are then as long as the median, at least"),
			{Name: "least_frames", Type: plugins.Integer, Default: "100", About: "frames below which nothing is said"},
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	x := e.Frames.MS
	if len(x) < max(1, p.Integer("least_frames")) {
		c.Unable("%d frames are fewer than the %d that show a cap", len(x), p.Integer("least_frames"))
		return c.Finding("")
	}
	median := pick.Median(x)
	c.Put("median_fps", 1000/median)
	rates := slices.Concat(e.Expected.RefreshHz, round)
	if e.Expected.CapFPS > 0 {
		rates = slices.Concat([]float64{e.Expected.CapFPS}, rates)
	}
	best, found := look(x, median, rates, p)
	c.Put("share_percent", 100*best.share)
	c.Put("shorter_percent", 100*best.shorter)
	c.Put("beside_percent", 100*best.beside)
	c.Put("share_limit_percent", 100*best.limit)
	c.Put("shorter_limit_percent", p.Number("shorter_percent"))
	switch {
	case !found:
		return c.Finding(fmt.Sprintf("the median of %.2f ms is no interval that frames are held to", median))
	case e.Expected.CapFPS > 0 && math.Abs(best.rate/e.Expected.CapFPS-1) < p.Number("median_percent")/100:
		c.Put("cap_fps", best.rate)
		return c.Finding(fmt.Sprintf("the rate is held at the intended %.4g FPS", e.Expected.CapFPS))
	}
	c.Put("cap_fps", best.rate)
	c.Found(record.Bad, fmt.Sprintf("turn off the limiter and waiting for the screen, then repeat the pass; if the cap is meant, say so: expect.cap_fps = %.4g in the configuration or cap_fps in the campaign, then capctl recheck", best.rate),
		"the rate is pinned at %.4g FPS: %.0f %% of the frames are within %g %% of %.2f ms (limit %.0f %%), %.1f %% are shorter and %.0f %% lie at intervals beside it",
		best.rate, 100*best.share, p.Number("tolerance_percent"), best.interval, 100*best.limit, 100*best.shorter, 100*best.beside)
	return c.Finding("capped")
}

// multiples is how many intervals a frame may be held for.
const multiples = 3

// hit is how the frames lie about an interval in ms that stands for a rate.
type hit struct{ rate, interval, share, limit, shorter, beside float64 }

// look returns the rate nearest to the median at which frames are held, else the nearest.
func look(x []float64, median float64, rates []float64, p plugins.Params) (best hit, found bool) {
	tolerance := p.Number("tolerance_percent") / 100
	for _, r := range rates {
		if !(r > 0) {
			continue
		}
		h := hit{rate: r, interval: 1000 / r, limit: p.Number("share_percent") / 100}
		switch off := median*r/1000 - 1; {
		case math.Abs(off) <= p.Number("median_percent")/100:
		case off > 0 && off <= p.Number("late_percent")/100:
			h.interval, h.limit = median, p.Number("late_share_percent")/100
		default:
			continue
		}
		held := 1000 / h.interval
		at := stats.HitsAt(x, held, tolerance)
		h.share, h.shorter = at.Share(multiples), at.ShorterShare()
		h.beside = max(stats.HitsAt(x, held/1.05, tolerance).Share(multiples), stats.HitsAt(x, held/0.95, tolerance).Share(multiples))
		capped := h.share >= h.limit && h.shorter <= p.Number("shorter_percent")/100 &&
			h.beside <= h.share*p.Number("beside_percent")/100
		closer := math.Abs(median*r/1000-1) < math.Abs(median*best.rate/1000-1)
		if best.rate == 0 || capped && !found || capped == found && closer {
			best, found = h, capped
		}
	}
	return best, found
}
