package stats

import "math"

// Outlier is the outcome of Grubbs' and Dixon's tests for one suspect value. Both are a
// hint for sets of eight or more and never a reason to delete: at three values they
// detect next to nothing.
type Outlier struct {
	Suspect       int // index of the value farthest from the mean
	G, GCritical  float64
	GrubbsOutlier bool
	R10, R10Crit  float64 // NaN outside 3..10 values
	DixonOutlier  bool
	Defined       bool
	Warnings      []Warning
}

// Outliers tests x, two-sided at level alpha.
func Outliers(x []float64, alpha float64) (Outlier, error) {
	if err := finite(x); err != nil {
		return Outlier{}, err
	}
	o := Outlier{R10: math.NaN(), R10Crit: math.NaN()}
	if len(x) < 3 {
		o.Warnings = []Warning{TooFew}
		return o, nil
	}
	m, sd := meanSD(x)
	if sd == 0 {
		o.Warnings = []Warning{ZeroVariance}
		return o, nil
	}
	o.Defined = true
	for i, v := range x {
		if g := math.Abs(v-m) / sd; g > o.G {
			o.G, o.Suspect = g, i
		}
	}
	o.GCritical = GrubbsCritical(len(x), alpha, 2)
	o.GrubbsOutlier = o.G > o.GCritical
	if s := sorted(x); len(x) <= 10 {
		n := len(s)
		low, high := s[1]-s[0], s[n-1]-s[n-2]
		o.R10 = math.Max(low, high) / (s[n-1] - s[0])
		o.R10Crit = DixonCritical(n, alpha, 2)
		o.DixonOutlier = o.R10 > o.R10Crit
		if n == 3 && math.Min(low, high) == 0 {
			o.Warnings = append(o.Warnings, TieVoids)
		}
	}
	return o, nil
}

// GrubbsCritical returns the critical value of max |x - mean| / s for n values at level
// alpha, one- or two-sided (Grubbs 1969; ASTM E178).
func GrubbsCritical(n int, alpha float64, sides int) float64 {
	if n < 3 {
		return math.NaN()
	}
	f := float64(n)
	t := TQuantile(1-alpha/(float64(sides)*f), f-2)
	return (f - 1) / math.Sqrt(f) * math.Sqrt(t*t/(f-2+t*t))
}

// DixonCritical returns the critical value of r10 = gap / range for n = 3..10 values, by
// integration of the exact density (Dixon 1951); NaN outside.
func DixonCritical(n int, alpha float64, sides int) float64 {
	if n < 3 || n > 10 {
		return math.NaN()
	}
	return solve(func(r float64) float64 {
		if sides == 1 {
			return alpha - dixonTail(r, n, false)
		}
		both := 0.0 // the two gaps can exceed r at once only below one half
		if r < 0.5 {
			both = dixonTail(r, n, true)
		}
		return alpha - 2*dixonTail(r, n, false) + both
	}, 0, 1)
}

// dixonTail is n(n-1) Int Int_{u<v} phi(u) phi(v) [Phi(v) - Phi(u + r(v-u))]^(n-2), the
// chance that the lowest value's gap exceeds r of the range; with both, that the
// highest value's gap does so too.
func dixonTail(r float64, n int, both bool) float64 {
	const reach = 8.5
	outer := rule48.integrate(func(v float64) float64 {
		pv := normalCDF(v)
		upper := func(u float64) float64 {
			if both {
				return normalCDF(v - r*(v-u))
			}
			return pv
		}
		return normalPDF(v) * rule48.integrate(func(u float64) float64 {
			return normalPDF(u) * math.Pow(math.Max(0, upper(u)-normalCDF(u+r*(v-u))), float64(n-2))
		}, -reach, v, 1)
	}, -reach, reach, 2)
	return float64(n*(n-1)) * outer
}
