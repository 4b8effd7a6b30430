package stats

import (
	"fmt"
	"math"
	"slices"
)

// Cusum holds the cumulative sums of a series about a target.
type Cusum struct {
	Upper, Lower []float64
	Alarm        int // index of the first sum above the limit; -1 for none
}

// Step is the best place at which to cut a series in two. Places count values: After =
// 28 cuts after the 28th.
type Step struct {
	After                 int
	MeanBefore, MeanAfter float64
	RSS, RSSWhole         float64 // sums of squares with and without the cut
	// Warranted says that the cut lowers Schwarz's criterion (Annals of Statistics 6,
	// 1978; for cuts Yao, Statistics and Probability Letters 6, 1988): n ln(RSSWhole/RSS)
	// exceeds 2 ln n. The usual F tables do not hold for the best of all cuts.
	Warranted bool

	CusumAfter int     // where the cumulative sum about the mean is farthest from zero
	CusumMax   float64 // how far

	// The rank test of Pettitt (Applied Statistics 28, 1979).
	PettittAfter int
	PettittK     float64
	PettittP     float64 // approximate, min(1, 2 exp(-6 K^2 / (n^3 + n^2)))
}

// FindStep looks for one step in x with at least least values to either side.
func FindStep(x []float64, least int) (Step, error) {
	if err := finite(x); err != nil {
		return Step{}, err
	}
	if least < 1 || len(x) < 2*least {
		return Step{}, fmt.Errorf("%d values have no %d to either side of a step", len(x), least)
	}
	var s Step
	s.split(x, least)
	s.pettitt(x)
	return s, nil
}

// split finds the cut with the least sum of squares: the one with the largest
// between-group sum n/(k (n-k)) c_k^2, c_k the cumulative sum about the mean.
func (s *Step) split(x []float64, least int) {
	n, m := len(x), mean(x)
	best := -1.0
	var c neumaier
	for k := 1; k < n; k++ {
		c.add(x[k-1] - m)
		dev := math.Abs(c.value())
		if dev > s.CusumMax {
			s.CusumAfter, s.CusumMax = k, dev
		}
		between := float64(n) / (float64(k) * float64(n-k)) * dev * dev
		if k >= least && n-k >= least && between > best {
			best, s.After = between, k
		}
	}
	s.MeanBefore, s.MeanAfter = mean(x[:s.After]), mean(x[s.After:])
	s.RSSWhole = squares(x, m)
	s.RSS = squares(x[:s.After], s.MeanBefore) + squares(x[s.After:], s.MeanAfter)
	f := float64(n)
	s.Warranted = s.RSSWhole > 0 && f*math.Log(s.RSSWhole/s.RSS) > 2*math.Log(f)
}

func squares(x []float64, m float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += (v - m) * (v - m)
	}
	return sum
}

func (s *Step) pettitt(x []float64) {
	order := sorted(x)
	n := float64(len(x))
	u := 0.0 // 2 sum of ranks - k (n + 1), ties with their middle rank
	for k, v := range x[:len(x)-1] {
		first, _ := slices.BinarySearch(order, v)
		last := first
		for last < len(order) && order[last] == v {
			last++
		}
		u += float64(first+last+1) - (n + 1)
		if math.Abs(u) > s.PettittK {
			s.PettittK, s.PettittAfter = math.Abs(u), k+1
		}
	}
	s.PettittP = math.Min(1, 2*math.Exp(-6*s.PettittK*s.PettittK/(n*n*n+n*n)))
}
