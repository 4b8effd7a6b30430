package stats

import (
	"errors"
	"math"
	"sort"
)

// Estimate is a number with its standard error, degrees of freedom and interval. Low
// and High are NaN where Defined is false.
type Estimate struct {
	N         int
	Value     float64
	SD        float64 // of single values; NaN where it does not apply
	SE, DF    float64
	T, P      float64 // test against no difference; NaN where there is none
	Low, High float64
	Defined   bool // of the interval
	Warnings  []Warning
}

func undefined(v float64, w Warning) Estimate {
	nan := math.NaN()
	return Estimate{Value: v, SD: nan, SE: nan, DF: nan, T: nan, P: nan, Low: nan, High: nan, Warnings: []Warning{w}}
}

// normalEstimate returns value with its t interval and the test against zero.
func normalEstimate(value, se, df, conf float64) Estimate {
	e := Estimate{Value: value, SD: math.NaN(), SE: se, DF: df, T: math.NaN(), P: math.NaN(), Low: value, High: value,
		Defined: true}
	if se == 0 {
		e.Warnings = []Warning{ZeroVariance}
		return e
	}
	h := TQuantile(0.5+conf/2, df) * se
	e.Low, e.High = value-h, value+h
	e.T = value / se
	e.P = TTwoSided(e.T, df)
	return e
}

// About returns value with the t interval of standard error se on df degrees of freedom
// and the two-sided test of value against zero.
func About(value, se, df, conf float64) Estimate {
	if !(df > 0) || !(se >= 0) {
		return undefined(value, TooFew)
	}
	return normalEstimate(value, se, df, conf)
}

// TInterval returns the mean of x with its t interval (Student 1908).
func TInterval(x []float64, conf float64) (Estimate, error) {
	if err := finite(x); err != nil {
		return Estimate{}, err
	}
	if len(x) == 1 {
		e := undefined(x[0], TooFew)
		e.N = 1
		return e, nil
	}
	m, sd := meanSD(x)
	n := float64(len(x))
	e := normalEstimate(m, sd/math.Sqrt(n), n-1, conf)
	e.N, e.SD = len(x), sd
	return e, nil
}

// Satterthwaite adds independent standard errors in quadrature and returns the degrees
// of freedom of the sum (Satterthwaite 1946); an error of zero adds nothing.
func Satterthwaite(se, df []float64) (float64, float64) {
	var sum, den float64
	for i, s := range se {
		v := s * s
		sum += v
		if v > 0 && !math.IsInf(df[i], 1) {
			den += v * v / df[i]
		}
	}
	if den == 0 {
		return math.Sqrt(sum), math.Inf(1)
	}
	return math.Sqrt(sum), sum * sum / den
}

// FiellerSet is a confidence set of a ratio of means.
type FiellerSet struct {
	Ratio, DF, T, G float64
	Shape           string // "bounded", "outside" (all but Low..High), "everything", "undefined"
	Low, High       float64
}

// Fieller returns the confidence set of mean(a)/mean(b) (Fieller 1954), with the
// Welch-Satterthwaite degrees of freedom at the observed ratio (a convention).
func Fieller(a, b []float64, conf float64) (FiellerSet, error) {
	if err := errors.Join(finite(a), finite(b)); err != nil {
		return FiellerSet{}, err
	}
	nan := math.NaN()
	f := FiellerSet{Ratio: nan, DF: nan, T: nan, G: nan, Shape: "undefined", Low: nan, High: nan}
	ma, mb := mean(a), mean(b)
	if mb != 0 {
		f.Ratio = ma / mb
	}
	if len(a) < 2 || len(b) < 2 || mb == 0 {
		return f, nil
	}
	_, sa := meanSD(a)
	_, sb := meanSD(b)
	va, vb := sa*sa/float64(len(a)), sb*sb/float64(len(b))
	_, f.DF = Satterthwaite([]float64{math.Sqrt(va), math.Abs(f.Ratio) * math.Sqrt(vb)},
		[]float64{float64(len(a) - 1), float64(len(b) - 1)})
	f.T = TQuantile(0.5+conf/2, f.DF)
	f.G = f.T * f.T * vb / (mb * mb)
	qa, qb, qc := mb*mb-f.T*f.T*vb, ma*mb, ma*ma-f.T*f.T*va
	disc := qb*qb - qa*qc
	if disc < 0 || qa == 0 {
		f.Shape = "everything"
		return f, nil
	}
	x, y := (qb-math.Sqrt(disc))/qa, (qb+math.Sqrt(disc))/qa
	f.Low, f.High, f.Shape = math.Min(x, y), math.Max(x, y), "bounded"
	if qa < 0 {
		f.Shape = "outside"
	}
	return f, nil
}

// ErrZeroMargin says that equivalence was asked for within no margin at all.
var ErrZeroMargin = errors.New("the margin of equivalence must be above zero")

// Equivalence is the outcome of two one-sided tests.
type Equivalence struct {
	PLower, PUpper, P float64
	Equivalent        bool
	Defined           bool
}

// Equivalent tests whether a log ratio with standard error se on df degrees of freedom
// lies within ln(1/limit)..ln(limit), limit > 1, by two one-sided tests at level alpha
// (Schuirmann 1987).
func Equivalent(logRatio, se, df, limit, alpha float64) (Equivalence, error) {
	if !(limit > 1) {
		return Equivalence{}, ErrZeroMargin
	}
	nan := math.NaN()
	if !(se > 0) || !(df > 0) {
		return Equivalence{PLower: nan, PUpper: nan, P: nan}, nil
	}
	l := math.Log(limit)
	e := Equivalence{PLower: tTail((logRatio+l)/se, df), PUpper: tTail((l-logRatio)/se, df), Defined: true}
	e.P = math.Max(e.PLower, e.PUpper)
	e.Equivalent = e.P < alpha
	return e, nil
}

// Holm returns p values adjusted for the number of tests (Holm 1979). NaN stays NaN and
// does not count.
func Holm(p []float64) []float64 {
	out := make([]float64, len(p))
	var order []int
	for i, v := range p {
		out[i] = v
		if !math.IsNaN(v) {
			order = append(order, i)
		}
	}
	sort.SliceStable(order, func(i, j int) bool { return p[order[i]] < p[order[j]] })
	top := 0.0
	for rank, i := range order {
		top = math.Max(top, math.Min(1, float64(len(order)-rank)*p[i]))
		out[i] = top
	}
	return out
}
