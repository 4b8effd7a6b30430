// Package hitches finds pauses, loading screens and an unusual number of hitches.
//
// A pause is a frame of at least pause_s; a stall one of at least stall_ms that is also
// stall_factor times the median (conventions). A loading screen shows as a second whose
// frames are several times shorter than the median of the seconds. The number of hitches
// is compared with the cell's other passes as two Poisson counts by the exact conditional
// test (Przyborowski and Wilenski, Biometrika 31, 1940; from memory).
package hitches

import (
	"context"
	"fmt"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
	"capd.example/stats"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "hitches", Version: "1",
		About: "no pause or loading screen, and hitches as often as in the cell's other passes",
		Needs: []string{"frames", "earlier passes of the cell (for the rate)"},
		Parameters: []plugins.Parameter{
			plugins.Num("pause_s", "1", "s", "a frame this long is a pause and the pass is bad"),
			plugins.Num("stall_ms", "400", "ms", "a frame this long is a stall and the pass is doubtful"),
			plugins.Num("stall_factor", "6", "", "times the median that a pause or stall is at least"),
			plugins.Num("loading_factor", "4", "",
				"a second whose frames are this many times shorter than the median second is a loading screen"),
			plugins.Num("rate_p", "0.0005", "", "probability below which the number of hitches is unlike the other passes"),
			plugins.Num("rate_factor", "3", "", "times as many hitches per second as in the other passes, at least"),
			plugins.Num("rate_more", "5", "", "more hitches than the other passes suggest, at least"),
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	if len(e.Frames.MS) == 0 {
		c.Unable("there are no frames")
		return c.Finding("")
	}
	long(c, e, p)
	loading(c, e, p)
	rate(c, e, p)
	return c.Finding(fmt.Sprintf("the longest frame took %.0f ms; %s", c.Numbers["longest_ms"],
		record.Count(e.Pass.Metrics.Hitches, "hitch")))
}

func long(c *pick.Case, e record.Evidence, p plugins.Params) {
	median := pick.Median(e.Frames.MS)
	var at, longest, longestAt float64
	stalls, pauses := 0, 0
	for _, x := range e.Frames.MS {
		at += x
		if x > longest {
			longest, longestAt = x, at-x
		}
		if x < p.Number("stall_factor")*median {
			continue
		}
		if x >= 1000*p.Number("pause_s") {
			pauses++
		} else if x >= p.Number("stall_ms") {
			stalls++
		}
	}
	c.Put("longest_ms", longest)
	c.Put("median_ms", median)
	c.Put("pauses", float64(pauses))
	c.Put("stalls", float64(stalls))
	c.Put("pause_limit_s", p.Number("pause_s"))
	c.Put("stall_limit_ms", p.Number("stall_ms"))
	if pauses > 0 {
		c.Found(record.Bad, "repeat the pass", "the picture stood still for %.2f s at %.1f s%s", longest/1000,
			longestAt/1000, often(pauses, "pause"))
	} else if stalls > 0 {
		c.Found(record.Doubtful, "repeat the pass; if it stalls there again, the game does that",
			"a frame took %.0f ms at %.1f s%s", longest, longestAt/1000, often(stalls, "stall"))
	}
}

func loading(c *pick.Case, e record.Evidence, p plugins.Params) {
	seconds := stats.SecondMeans(e.Frames.MS)
	median := pick.Median(seconds)
	n, first := 0, 0
	for i, x := range seconds {
		if x*p.Number("loading_factor") < median {
			if n == 0 {
				first = i
			}
			n++
		}
	}
	c.Put("loading_s", float64(n))
	if n > 0 && 2*n < len(seconds) {
		c.Found(record.Doubtful, "start the logger after the loading screen and stop it before the next",
			"a loading screen or a menu was recorded: for %d s, from %d s on, frames were over %g times shorter", n, first,
			p.Number("loading_factor"))
	}
}

func rate(c *pick.Case, e record.Evidence, p plugins.Params) {
	var count, seconds float64
	n := 0
	for _, x := range pick.Usable(e.Earlier) {
		count += float64(x.Pass.Metrics.Hitches)
		seconds += x.Pass.Metrics.DurationS
		n++
	}
	mine, length := float64(e.Pass.Metrics.Hitches), e.Pass.Metrics.DurationS
	c.Put("hitches", mine)
	if n < 2 || seconds <= 0 || length <= 0 {
		c.Unable("the rate of hitches: only %s to compare with", record.Count(n, "earlier pass"))
		return
	}
	expected := count * length / seconds
	// Given the sum, the count of this pass is binomial if the rates are equal.
	b := distuv.Binomial{N: mine + count, P: length / (length + seconds)}
	tail := 1.0
	if mine > 0 {
		tail = 1 - b.CDF(mine-1)
	}
	c.Put("hitches_expected", expected)
	c.Put("hitches_p", tail)
	c.Put("hitches_p_limit", p.Number("rate_p"))
	if tail < p.Number("rate_p") && mine > p.Number("rate_factor")*expected && mine-expected >= p.Number("rate_more") {
		c.Found(record.Doubtful, "find out what ran beside the game, end it and repeat the pass",
			"%.0f frames hitched; the cell's %s suggest %.1f", mine, record.Count(n, "other pass"), expected)
	}
}

// often says how many pauses or stalls there were, where it was more than one.
func often(n int, what string) string {
	if n < 2 {
		return ""
	}
	return ", the longest of " + record.Count(n, what)
}
