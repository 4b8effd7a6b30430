package stats

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// Errors that several functions share. They are told apart from numbers and from
// warnings: an error means that nothing was computed.
var (
	ErrNoValues    = errors.New("no values")
	ErrNonPositive = errors.New("a value is not positive, so that it has no logarithm")
	ErrNonFinite   = errors.New("a value is not a finite number")
)

// Warning is something that a result's reader must know; the result still holds.
type Warning string

// The warnings.
const (
	TooFew       Warning = "too few values"
	ZeroVariance Warning = "no spread at all"
	TieVoids     Warning = "two equal values of three: the test fires on anything"
)

// rangeCDF is the distribution of the range of k standard normals:
// k Int phi(z) [Phi(z) - Phi(z-w)]^(k-1) dz.
func rangeCDF(w float64, k int) float64 {
	if w <= 0 {
		return 0
	}
	p := float64(k) * rule48.integrate(func(z float64) float64 {
		return normalPDF(z) * math.Pow(normalCDF(z)-normalCDF(z-w), float64(k-1))
	}, -8.5, 8.5+math.Min(w, 8), 2)
	return math.Min(1, p)
}

// StudentizedRange returns the p-quantile q(p; k, df) of the studentised range, that of k
// normal results divided by an independent standard deviation with df degrees of freedom
// (+Inf: the true one; Newman 1939 for the definition); NaN for k < 2, df <= 0 or p outside
// (0, 1). What is integrated over the standard deviation is the distribution of the range,
// read from a table as good as the integral itself (1e-13 of five): the double integral costs a hundred times as much.
func StudentizedRange(p float64, k int, df float64) float64 {
	if k < 2 || !(df > 0) || !(p > 0 && p < 1) {
		return math.NaN()
	}
	hi := 8.0
	of, over := rangeTable(k), newChi(df)
	f := func(q float64) float64 {
		return over.integrate(func(s float64) float64 { return of.at(q * s) }, 8/q) - p
	}
	for f(hi) < 0 && hi < 1e6 {
		hi *= 2
	}
	return solve(f, 0, hi)
}

// Agreement is the outcome of the critical range of a set of results.
type Agreement struct {
	N            int
	Range, Limit float64
	Accepted     bool
	Mean, Median float64
	// Final is the mean of an accepted set and the median of any other, where no further
	// result can be had (ISO 5725-6:1994, clause 5.2).
	Final    float64
	Warnings []Warning
}

// PoolSD pools standard deviations: s^2 = sum v_i s_i^2 / sum v_i (ISO 5725-2). It
// returns the pooled value and its degrees of freedom; NaN and 0 where there are none.
func PoolSD(sd, df []float64) (s, v float64) {
	var sum float64
	for i := range sd {
		if df[i] > 0 {
			sum += df[i] * sd[i] * sd[i]
			v += df[i]
		}
	}
	if v == 0 {
		return math.NaN(), 0
	}
	return math.Sqrt(sum / v), v
}

// Homogeneity is the outcome of tests for equal variances.
type Homogeneity struct {
	C         float64 // share of the largest sum of squares
	Largest   int     // index of the set it belongs to
	CochranP  float64 // upper bound of its p value
	Bartlett  float64 // corrected chi-squared statistic; +Inf where a set has no spread
	BartlettP float64
	Warnings  []Warning
}

// Homogeneous tests whether sets with the given standard deviations and degrees of
// freedom have one variance: Cochran's C (ISO 5725-2) in the form for unequal sizes of
// 't Lam (Analytica Chimica Acta 659, 2010; from memory), and Bartlett's test
// (Proc. R. Soc. A 160, 1937).
func Homogeneous(sd, df []float64) Homogeneity {
	h := Homogeneity{Largest: -1, CochranP: 1, BartlettP: 1}
	var ss, v, inv, logs float64
	m := 0
	for i, s := range sd {
		if df[i] <= 0 {
			continue
		}
		m++
		ss += df[i] * s * s
		v += df[i]
		inv += 1 / df[i]
		logs += df[i] * math.Log(s*s)
	}
	if m < 2 || ss == 0 {
		h.Warnings = append(h.Warnings, TooFew)
		return h
	}
	for i, s := range sd {
		if df[i] <= 0 {
			continue
		}
		g := df[i] * s * s / ss
		p := 0.0
		if g < 1 {
			f := (v - df[i]) / df[i] * g / (1 - g)
			p = math.Min(1, float64(m)*distuv.F{D1: df[i], D2: v - df[i]}.Survival(f))
		}
		if h.Largest < 0 || p < h.CochranP || (p == h.CochranP && g > h.C) {
			h.C, h.Largest, h.CochranP = g, i, p
		}
	}
	h.Bartlett = (v*math.Log(ss/v) - logs) / (1 + (inv-1/v)/(3*float64(m-1)))
	if math.IsInf(h.Bartlett, 1) || math.IsNaN(h.Bartlett) {
		h.Bartlett, h.BartlettP = math.Inf(1), 0
		h.Warnings = append(h.Warnings, ZeroVariance)
		return h
	}
	h.BartlettP = distuv.ChiSquared{K: float64(m - 1)}.Survival(math.Max(0, h.Bartlett))
	return h
}

func finite(x []float64) error {
	if len(x) == 0 {
		return ErrNoValues
	}
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("value %d, %v: %w", i+1, v, ErrNonFinite)
		}
	}
	return nil
}

func positive(x []float64) error {
	if err := finite(x); err != nil {
		return err
	}
	for _, v := range x {
		if v <= 0 {
			return ErrNonPositive
		}
	}
	return nil
}

func logs(x []float64) []float64 {
	l := make([]float64, len(x))
	for i, v := range x {
		l[i] = math.Log(v)
	}
	return l
}

func sorted(x []float64) []float64 {
	s := append([]float64(nil), x...)
	sort.Float64s(s)
	return s
}

func medianSorted(s []float64) float64 {
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return s[n/2-1] + (s[n/2]-s[n/2-1])/2
}

// mean subtracts the first value, so that large common digits cost nothing.
func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v - x[0]
	}
	return x[0] + sum/float64(len(x))
}

// meanSD returns mean and sample standard deviation (NaN for one value) in two passes
// with the correction of Chan, Golub and LeVeque 1983.
func meanSD(x []float64) (m, sd float64) {
	m = mean(x)
	var ss, comp float64
	for _, v := range x {
		d := v - m
		ss += d * d
		comp += d
	}
	n := float64(len(x))
	return m, math.Sqrt(math.Max(0, ss-comp*comp/n) / (n - 1))
}
