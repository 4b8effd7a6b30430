// Package trend tests whether a series rises or falls and by how much.
package trend

import (
	"math"

	"capd.example/stats"
)

// Trend is the outcome for one series.
type Trend struct {
	N     int
	Z     float64 // of Mann and Kendall
	P     float64 // two-sided, by the normal approximation with continuity correction; 1 for fewer than four values
	Slope float64 // per step, the median of (x_j - x_i)/(j - i)
	Total float64 // Slope times the steps from first to last
}

// most is the number of values up to which each counts by itself; longer series are
// averaged in blocks first, because the test costs n^2 steps and its message does not gain.
const most = 600

// Of tests x for a trend ([stats.MannKendall]) and estimates it ([stats.TheilSen]). Values
// that are not finite are left out with their place kept.
func Of(x []float64) Trend {
	at, v := blocks(x, (len(x)+most-1)/most)
	t := Trend{N: len(v), P: 1}
	if len(v) < 4 {
		return t
	}
	// Four finite values at rising places leave neither function anything to refuse.
	k, err := stats.MannKendall(v)
	if err != nil {
		return t
	}
	line, err := stats.TheilSen(at, v, 0.95)
	if err != nil {
		return t
	}
	t.Z, t.P, t.Slope = k.Z, k.P, line.Slope
	t.Total = t.Slope * (at[len(at)-1] - at[0])
	return t
}

// blocks returns the means of blocks of the given size and their places, in steps of x.
func blocks(x []float64, size int) (at, v []float64) {
	for i := 0; i < len(x); i += size {
		var place, sum, n float64
		for j, y := range x[i:min(i+size, len(x))] {
			if !math.IsNaN(y) && !math.IsInf(y, 0) {
				place, sum, n = place+float64(i+j), sum+y, n+1
			}
		}
		if n > 0 {
			at, v = append(at, place/n), append(v, sum/n)
		}
	}
	return at, v
}
