// Package trend tests whether a series rises or falls and by how much.
package trend

import (
	"math"
	"slices"
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

// Of tests x for a trend (Mann, Econometrica 13, 1945; Kendall, Rank Correlation Methods)
// and estimates it (Theil 1950; Sen, JASA 63, 1968). Values that are not finite are left
// out with their place kept.
func Of(x []float64) Trend {
	at, v := blocks(x, (len(x)+most-1)/most)
	t := Trend{N: len(v), P: 1}
	if len(v) < 4 {
		return t
	}
	s := 0.0
	var slopes []float64
	for i := range v {
		for j := i + 1; j < len(v); j++ {
			d := v[j] - v[i]
			s += sign(d)
			slopes = append(slopes, d/(at[j]-at[i]))
		}
	}
	slices.Sort(slopes)
	h := len(slopes) / 2
	t.Slope = slopes[h]
	if len(slopes)%2 == 0 {
		t.Slope = (slopes[h-1] + slopes[h]) / 2
	}
	t.Total = t.Slope * (at[len(at)-1] - at[0])
	if va := variance(v); va > 0 && s != 0 {
		t.Z = (s - sign(s)) / math.Sqrt(va)
		t.P = math.Erfc(math.Abs(t.Z) / math.Sqrt2)
	}
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

// variance of Kendall's S with the correction for ties.
func variance(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	n := float64(len(s))
	sum := n * (n - 1) * (2*n + 5)
	for i := 0; i < len(s); {
		j := i
		for j < len(s) && s[j] == s[i] {
			j++
		}
		t := float64(j - i)
		sum -= t * (t - 1) * (2*t + 5)
		i = j
	}
	return sum / 18
}

func sign(x float64) float64 {
	switch {
	case x > 0:
		return 1
	case x < 0:
		return -1
	}
	return 0
}
