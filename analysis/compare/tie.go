package compare

import (
	"fmt"
	"math"

	"capd.example/analysis"
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
	o = o.WithDefaults()
	var least []float64
	for _, m := range margins {
		p := m.precision
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

// TieNote says in words what a tie in the table is and what the passes resolve; "" where no
// margin has a spread.
func TieNote(margins []Margin, o analysis.Options) string {
	r := ResolvedTie(margins, o)
	if !r.Known() {
		return ""
	}
	return fmt.Sprintf("a tie is a difference shown to be below %.3g %%; of pairs that are equal, these passes show 4 of 5 to be within %.1f %%", 100*o.WithDefaults().Tie, 100*float64(r))
}
