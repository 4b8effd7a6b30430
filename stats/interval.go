package stats

import (
	"errors"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
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
	e := Estimate{Value: value, SD: math.NaN(), SE: se, DF: df, T: math.NaN(), P: math.NaN(), Low: value, High: value, Defined: true}
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

// Welch compares the means of a and b without assuming equal variances (Welch 1947,
// Satterthwaite 1946). Value is mean(a) - mean(b).
func Welch(a, b []float64, conf float64) (Estimate, error) {
	if err := errors.Join(finite(a), finite(b)); err != nil {
		return Estimate{}, err
	}
	d := mean(a) - mean(b)
	if len(a) < 2 || len(b) < 2 {
		return undefined(d, TooFew), nil
	}
	_, sa := meanSD(a)
	_, sb := meanSD(b)
	se, df := Satterthwaite([]float64{sa / math.Sqrt(float64(len(a))), sb / math.Sqrt(float64(len(b)))},
		[]float64{float64(len(a) - 1), float64(len(b) - 1)})
	return normalEstimate(d, se, df, conf), nil
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

// LogRatio returns the ratio of the geometric means of a and b with the interval of
// Welch's test on logarithms. Value, Low and High are ratios; SE is that of ln(ratio).
func LogRatio(a, b []float64, conf float64) (Estimate, error) {
	if err := errors.Join(positive(a), positive(b)); err != nil {
		return Estimate{}, err
	}
	e, err := Welch(logs(a), logs(b), conf)
	if err != nil {
		return e, err
	}
	return e.Exp(), nil
}

// Exp takes value and limits from logarithms to ratios; SE and SD stay on logarithms.
func (e Estimate) Exp() Estimate {
	e.Value, e.Low, e.High = math.Exp(e.Value), math.Exp(e.Low), math.Exp(e.High)
	return e
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
	_, f.DF = Satterthwaite([]float64{math.Sqrt(va), math.Abs(f.Ratio) * math.Sqrt(vb)}, []float64{float64(len(a) - 1), float64(len(b) - 1)})
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

// TOST tests whether the ratio of the geometric means of a and b lies within 1/limit and
// limit, with Welch's standard error on logarithms.
func TOST(a, b []float64, limit, alpha float64) (Equivalence, error) {
	if !(limit > 1) {
		return Equivalence{}, ErrZeroMargin
	}
	r, err := LogRatio(a, b, 1-2*alpha)
	if err != nil {
		return Equivalence{}, err
	}
	return Equivalent(math.Log(r.Value), r.SE, r.DF, limit, alpha)
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

// Nested splits the variance of passes within sessions.
type Nested struct {
	Mean                float64
	MSBetween, MSWithin float64
	S2Within, S2Between float64
	F, P                float64
	SEMean, Low, High   float64
	DFBetween, DFWithin float64
}

// NestedVariance analyses groups of equal size: variance components and an interval of
// the mean that rests on the groups' means alone (Kalibera and Jones 2013).
func NestedVariance(groups [][]float64, conf float64) (Nested, error) {
	a, err := OneWay(groups)
	if err != nil {
		return Nested{}, err
	}
	n := len(groups[0])
	means := make([]float64, len(groups))
	for i, g := range groups {
		if len(g) != n {
			return Nested{}, errors.New("groups differ in size")
		}
		means[i] = mean(g)
	}
	e, err := TInterval(means, conf)
	if err != nil {
		return Nested{}, err
	}
	out := Nested{Mean: e.Value, MSBetween: a.MSBetween, MSWithin: a.MSWithin, S2Within: a.MSWithin, F: a.F, P: a.P,
		S2Between: math.Max(0, (a.MSBetween-a.MSWithin)/float64(n)), SEMean: e.SE, Low: e.Low, High: e.High,
		DFBetween: a.DFBetween, DFWithin: a.DFWithin}
	return out, nil
}

// ANOVA is a one-way analysis of variance.
type ANOVA struct {
	DFBetween, DFWithin  float64
	SSBetween, SSWithin  float64
	MSBetween, MSWithin  float64
	F, P                 float64
	RSquared, ResidualSD float64
}

// OneWay compares the means of groups. Every value has the first subtracted, so that
// common leading digits cost nothing.
func OneWay(groups [][]float64) (ANOVA, error) {
	if len(groups) < 2 {
		return ANOVA{}, ErrNoValues
	}
	var shifted [][]float64
	var all []float64
	for _, g := range groups {
		if err := finite(g); err != nil {
			return ANOVA{}, err
		}
		s := make([]float64, len(g))
		for i, v := range g {
			s[i] = v - groups[0][0]
		}
		shifted, all = append(shifted, s), append(all, s...)
	}
	var a ANOVA
	grand := mean(all)
	for _, g := range shifted {
		m, sd := meanSD(g)
		a.SSBetween += float64(len(g)) * (m - grand) * (m - grand)
		if len(g) > 1 {
			a.SSWithin += sd * sd * float64(len(g)-1)
		}
	}
	a.DFBetween, a.DFWithin = float64(len(groups)-1), float64(len(all)-len(groups))
	a.MSBetween, a.MSWithin = a.SSBetween/a.DFBetween, a.SSWithin/a.DFWithin
	a.F, a.P = math.NaN(), math.NaN()
	if a.SSWithin > 0 && a.DFWithin > 0 {
		a.F = a.MSBetween / a.MSWithin
		a.P = distuv.F{D1: a.DFBetween, D2: a.DFWithin}.Survival(a.F)
	}
	a.RSquared, a.ResidualSD = a.SSBetween/(a.SSBetween+a.SSWithin), math.Sqrt(a.MSWithin)
	return a, nil
}

// Line is a straight line fitted by least squares.
type Line struct {
	Intercept, Slope     float64
	SEIntercept, SESlope float64
	RSquared, ResidualSD float64
}

// FitLine fits y = intercept + slope x; x and y have one length of at least three.
func FitLine(x, y []float64) (Line, error) {
	if err := errors.Join(finite(x), finite(y)); err != nil {
		return Line{}, err
	}
	if len(x) != len(y) || len(x) < 3 {
		return Line{}, ErrNoValues
	}
	n, mx, my := float64(len(x)), mean(x), mean(y)
	var sxx, sxy, syy float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
		syy += (y[i] - my) * (y[i] - my)
	}
	if sxx == 0 {
		return Line{}, errors.New("all x are equal")
	}
	l := Line{Slope: sxy / sxx}
	l.Intercept = my - l.Slope*mx
	var sse float64
	for i := range x {
		r := (y[i] - my) - l.Slope*(x[i]-mx)
		sse += r * r
	}
	l.ResidualSD = math.Sqrt(sse / (n - 2))
	l.SESlope = l.ResidualSD / math.Sqrt(sxx)
	l.SEIntercept = l.ResidualSD * math.Sqrt(1/n+mx*mx/sxx)
	l.RSquared = 1 - sse/syy
	return l, nil
}
