package stats

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Kendall is the outcome of the test of Mann and Kendall for a monotone trend.
type Kendall struct {
	N       int
	S, VarS float64 // VarS is corrected for ties
	Z, P    float64 // normal approximation with continuity correction, two-sided
	PExact  float64 // two-sided, over all orders; NaN with ties or more than 60 values
	TauB    float64 // NaN for a constant series
	// Warnings holds TooFew below four values: with three the smallest possible exact P
	// is 1/3.
	Warnings []Warning
}

// MannKendall tests whether x rises or falls with its index (Mann, Econometrica 13, 1945;
// Kendall, Rank Correlation Methods). It presumes independent values: use it on means of
// a second or of 100 frames, never on single frames. Fewer than three values give P = 1
// and nothing else; a constant series gives S = 0 and P = 1.
func MannKendall(x []float64) (Kendall, error) {
	if err := finite(x); err != nil {
		return Kendall{}, err
	}
	k := Kendall{N: len(x), P: 1, PExact: math.NaN(), TauB: math.NaN()}
	if k.N < 4 {
		k.Warnings = append(k.Warnings, TooFew)
	}
	if k.N < 3 {
		k.S, k.VarS, k.Z = math.NaN(), math.NaN(), math.NaN()
		return k, nil
	}
	n := float64(k.N)
	k.S = concordance(x)
	ties, pairs := tieTerms(x)
	k.VarS = (n*(n-1)*(2*n+5) - ties) / 18
	if k.VarS > 0 {
		k.Z = (k.S - sign(k.S)) / math.Sqrt(k.VarS)
		k.P = math.Erfc(math.Abs(k.Z) / math.Sqrt2)
		all := n * (n - 1) / 2
		k.TauB = k.S / math.Sqrt(all*(all-pairs))
	} else {
		k.Warnings = append(k.Warnings, ZeroVariance)
	}
	if pairs == 0 && k.N <= 60 {
		k.PExact = kendallExact(k.N, k.S)
	}
	return k, nil
}

// concordance returns the number of rising pairs less that of falling ones, in n log n
// steps over a binary indexed tree of ranks (Fenwick 1994).
func concordance(x []float64) float64 {
	s := slices.Compact(sorted(x))
	tree := make([]int, len(s)+1)
	count := func(i int) (n int) {
		for ; i > 0; i &= i - 1 {
			n += tree[i]
		}
		return n
	}
	total := 0
	for seen, v := range x {
		r, _ := slices.BinarySearch(s, v)
		below, upTo := count(r), count(r+1)
		total += below - (seen - upTo)
		for i := r + 1; i < len(tree); i += i & -i {
			tree[i]++
		}
	}
	return float64(total)
}

// tieTerms returns sum t(t-1)(2t+5) and sum t(t-1)/2 over groups of t equal values.
func tieTerms(x []float64) (terms, pairs float64) {
	s := sorted(x)
	for i := 0; i < len(s); {
		j := i
		for j < len(s) && s[j] == s[i] {
			j++
		}
		t := float64(j - i)
		terms += t * (t - 1) * (2*t + 5)
		pairs += t * (t - 1) / 2
		i = j
	}
	return terms, pairs
}

// kendallExact returns min(1, 2 P(S at least as far out)) over all n! orders, from the
// distribution of the number of inversions.
func kendallExact(n int, s float64) float64 {
	prob := []float64{1} // of each number of inversions of m values
	for m := 2; m <= n; m++ {
		next := make([]float64, len(prob)+m-1)
		for i, p := range prob {
			for d := 0; d < m; d++ {
				next[i+d] += p / float64(m)
			}
		}
		prob = next
	}
	most := float64(n*(n-1)) / 2
	out := int((most - math.Abs(s)) / 2) // inversions of the nearer end
	tail := 0.0
	for _, p := range prob[:out+1] {
		tail += p
	}
	return math.Min(1, 2*tail)
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

// Slope is a robust line through a series.
type Slope struct {
	Slope     float64 // median of (x_j - x_i)/(t_j - t_i)
	Intercept float64 // median of x less Slope times median of t (a convention)
	Low, High float64 // of Slope
}

// TheilSen returns the slope of x over t (Theil 1950; Sen, Journal of the American
// Statistical Association 63, 1968) with Sen's limits. A nil t stands for 1, 2, 3, ...
// It looks at all n(n-1)/2 pairs: average long series first.
func TheilSen(t, x []float64, conf float64) (Slope, error) {
	if t == nil {
		for i := range x {
			t = append(t, float64(i+1))
		}
	}
	if err := errors.Join(finite(t), finite(x)); err != nil {
		return Slope{}, err
	}
	if len(t) != len(x) {
		return Slope{}, fmt.Errorf("%d times for %d values", len(t), len(x))
	}
	if !(conf > 0 && conf < 1) {
		return Slope{}, ErrProbability
	}
	slopes := pairSlopes(t, x)
	if len(slopes) == 0 {
		return Slope{}, errors.New("no two values lie at different times")
	}
	s := Slope{Slope: medianSorted(slopes)}
	s.Intercept = medianSorted(sorted(x)) - s.Slope*medianSorted(sorted(t))
	s.Low, s.High = senLimits(t, x, slopes, conf)
	return s, nil
}

func pairSlopes(t, x []float64) []float64 {
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if t[j] != t[i] {
				slopes = append(slopes, (x[j]-x[i])/(t[j]-t[i]))
			}
		}
	}
	slices.Sort(slopes)
	return slopes
}

// senLimits are the slopes whose ranks lie z sigma/2 to either side of the middle, sigma
// from the variance of S with both kinds of ties.
func senLimits(t, x, slopes []float64, conf float64) (low, high float64) {
	n, count := float64(len(x)), float64(len(slopes))
	tx, _ := tieTerms(x)
	tt, _ := tieTerms(t)
	z := TQuantile(0.5+conf/2, math.Inf(1))
	half := z * math.Sqrt(math.Max(0, n*(n-1)*(2*n+5)-tx-tt)/18)
	upper := int(math.RoundToEven((count + half) / 2))
	lower := int(math.RoundToEven((count-half)/2)) - 1
	return slopes[within(lower, len(slopes))], slopes[within(upper, len(slopes))]
}
