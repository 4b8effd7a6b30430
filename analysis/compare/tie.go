package compare

import (
	"fmt"
	"math"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/stats"
)

// tiePower is the chance with which two equal cells should be shown to be a tie (a
// convention).
const tiePower = 0.8

// ResolvedTie returns the least threshold, a relative difference, within which most of the
// pairs would be shown to be a tie with a probability of 80 % if they were equal: the median
// over the margins, rounded up to a tenth of a per cent; undefined where none has a spread.
// It rests on how well the figures are known and not on what the margins are, so that taking
// it for the threshold leaves the level of the tests as it is.
func ResolvedTie(margins []Margin, o analysis.Options) analysis.Number {
	return resolved(margins, o, func(float64) float64 { return 0 })
}

// resolved is [ResolvedTie] as it would be with more passes of each cell.
func resolved(margins []Margin, o analysis.Options, more func(n float64) float64) analysis.Number {
	o = o.WithDefaults()
	var least []float64
	for _, m := range margins {
		if !(m.precision.SE > 0) {
			continue
		}
		p := withMore(m.terms(), more)
		if !(p.SE > 0) || !(p.DF > 0) {
			continue
		}
		// Both tests reject where |d| < ln(1+t) - t(1-alpha) se, with d about 0.
		least = append(least, p.SE*(stats.TQuantile(1-o.Alpha, p.DF)+stats.TQuantile((1+tiePower)/2, p.DF)))
	}
	if len(least) == 0 {
		return analysis.Undefined
	}
	return analysis.Number(math.Ceil(1000*math.Expm1(float64(analysis.Median(least)))) / 1000)
}

// TieNote says in words what counts as no difference and what the passes resolve, now and with
// twice as many; "" where no margin has a spread.
func TieNote(margins []Margin, o analysis.Options) string {
	now, twice := ResolvedTie(margins, o), resolved(margins, o, func(n float64) float64 { return n })
	if !now.Known() {
		return ""
	}
	with, then := "these passes", "twice as many"
	if n, alike := passesOf(margins); alike {
		with, then = fmt.Sprintf("%d passes", n), fmt.Sprint(2*n)
	}
	return fmt.Sprintf("a difference shown to be below %.3g %% counts as none; with your noise most equal pairs are shown to lie within %.1f %% with %s, within %.1f %% with %s", 100*o.WithDefaults().Tie,
		100*float64(now), with, 100*float64(twice), then)
}

// passesOf returns how many passes the compared cells have, where all have as many.
func passesOf(margins []Margin) (n int, alike bool) {
	for _, m := range margins {
		for _, b := range []*variance.Basis{m.base, m.value} {
			if b == nil {
				continue
			}
			if b.Across || n != 0 && int(b.N) != n {
				return 0, false
			}
			n = int(b.N)
		}
	}
	return n, n > 0
}
