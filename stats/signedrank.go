package stats

import (
	"math"
	"slices"
)

// exactRanks is the largest sample whose signed-rank distribution is counted out; above it
// the normal approximation is good to more digits than anybody reads.
const exactRanks = 300

// PseudoMedian returns the Hodges-Lehmann estimate of the centre of symmetry of x, the median
// of all averages of two of its values or of one with itself (Hodges & Lehmann 1963), and the
// interval that belongs to Wilcoxon's signed-rank test (Hollander, Wolfe & Chicken 2014,
// Nonparametric Statistical Methods, sections 3.2 and 3.3). It holds for any symmetric
// distribution, however heavy its tails, and its level is at least conf: few values allow
// few levels. SE, DF, T and P are NaN. With too few values for conf the interval is undefined.
func PseudoMedian(x []float64, conf float64) (Estimate, error) {
	if err := finite(x); err != nil {
		return Estimate{}, err
	}
	walsh := make([]float64, 0, len(x)*(len(x)+1)/2)
	for i, a := range x {
		for _, b := range x[i:] {
			walsh = append(walsh, a/2+b/2)
		}
	}
	slices.Sort(walsh)
	centre, err := QuantileSorted(walsh, 0.5, 7)
	if err != nil {
		return Estimate{}, err
	}
	e := undefined(centre, TooFew)
	e.N = len(x)
	k := signedRankCritical(len(x), (1-conf)/2)
	if k < 0 {
		return e, nil
	}
	e.Low, e.High, e.Defined, e.Warnings = walsh[k], walsh[len(walsh)-1-k], true, nil
	return e, nil
}

// signedRankCritical is the largest t with P(T <= t) <= tail for the sum T of the ranks
// 1..n whose sign is positive, each with probability one half; -1 where there is none.
func signedRankCritical(n int, tail float64) int {
	if n > exactRanks {
		mean := float64(n) * float64(n+1) / 4
		sd := math.Sqrt(float64(n) * float64(n+1) * float64(2*n+1) / 24)
		return int(math.Floor(mean + sd*TQuantile(tail, math.Inf(1)) - 0.5))
	}
	p := make([]float64, n*(n+1)/2+1) // p[t] is P(T = t) with the ranks so far
	p[0] = 1
	for rank, top := 1, 0; rank <= n; rank++ {
		top += rank
		for t := top; t >= 0; t-- {
			p[t] /= 2
			if t >= rank {
				p[t] += p[t-rank] / 2
			}
		}
	}
	sum := 0.0
	for t, q := range p {
		if sum += q; sum > tail {
			return t - 1
		}
	}
	return len(p) - 1
}
