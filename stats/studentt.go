package stats

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// TQuantile returns the p-quantile of Student's t with df degrees of freedom; df may be
// fractional, and +Inf gives the normal. It is NaN for p outside (0, 1) or df <= 0.
func TQuantile(p, df float64) float64 {
	if !(p > 0 && p < 1) || !(df > 0) {
		return math.NaN()
	}
	if math.IsInf(df, 1) {
		return distuv.UnitNormal.Quantile(p)
	}
	return student.get([2]float64{p, df}, func() float64 { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p) })
}

// quantiles keeps points of a distribution, which take long to compute and of which the
// cells of a matrix ask for a few only, many times.
type quantiles struct {
	sync.Mutex
	of map[[2]float64]float64 // probability, degrees of freedom
}

// quantileLimit bounds what is kept; fractional degrees of freedom hardly come twice.
const quantileLimit = 10000

func (q *quantiles) get(key [2]float64, compute func() float64) float64 {
	q.Lock()
	defer q.Unlock()
	v, ok := q.of[key]
	if !ok {
		v = compute()
		if q.of == nil || len(q.of) >= quantileLimit {
			q.of = map[[2]float64]float64{}
		}
		q.of[key] = v
	}
	return v
}

var student quantiles

// tTail returns P(T > t).
func tTail(t, df float64) float64 {
	if math.IsInf(df, 1) {
		return normalCDF(-t)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(-t)
}

// TTwoSided returns P(|T| > |t|) for df degrees of freedom.
func TTwoSided(t, df float64) float64 { return math.Min(1, 2*tTail(math.Abs(t), df)) }

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

func normalPDF(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

// rule holds the nodes and weights of a Gauss-Legendre rule on [-1, 1].
type rule struct{ x, w []float64 }

func legendre(n int) rule {
	r := rule{make([]float64, n), make([]float64, n)}
	quad.Legendre{}.FixedLocations(r.x, r.w, -1, 1)
	return r
}

var rule48 = legendre(48)

// integrate applies the rule to f on each of n equal panels of [a, b].
func (r rule) integrate(f func(float64) float64, a, b float64, n int) float64 {
	sum, half := 0.0, (b-a)/float64(2*n)
	for k := 0; k < n; k++ {
		mid := a + half*float64(2*k+1)
		for i, x := range r.x {
			sum += r.w[i] * f(mid+half*x)
		}
	}
	return sum * half
}

// chi is the density of s = chi/sqrt(df), the ratio of an estimated to the true standard
// deviation, between its outermost quantiles.
type chi struct{ df, lo, hi, c float64 }

func newChi(df float64) chi {
	if math.IsInf(df, 1) {
		return chi{df: df}
	}
	d := distuv.ChiSquared{K: df}
	lg, _ := math.Lgamma(df / 2)
	return chi{df, math.Sqrt(d.Quantile(1e-14) / df), math.Sqrt(d.Quantile(1-1e-14) / df),
		math.Ln2 + df/2*math.Log(df/2) - lg}
}

// integrate integrates f(s) over the density. Turn is an s above which f hardly changes.
func (x chi) integrate(f func(s float64) float64, turn float64) float64 {
	if math.IsInf(x.df, 1) {
		return f(1)
	}
	g := func(s float64) float64 { return f(s) * math.Exp(x.c+(x.df-1)*math.Log(s)-x.df*s*s/2) }
	if turn <= x.lo || turn >= x.hi {
		return rule48.integrate(g, x.lo, x.hi, 2)
	}
	return rule48.integrate(g, x.lo, turn, 1) + rule48.integrate(g, turn, x.hi, 1)
}

// solve finds x in [lo, hi] with f(x) = 0 for f rising through zero, by the
// Illinois form of regula falsi (Dowell and Jarratt 1971).
func solve(f func(float64) float64, lo, hi float64) float64 {
	fl, fh := f(lo), f(hi)
	if fl >= 0 {
		return lo
	}
	if fh <= 0 {
		return hi
	}
	for i := 0; i < 200 && hi-lo > 1e-13*math.Abs(hi); i++ {
		x := (lo*fh - hi*fl) / (fh - fl)
		if i%8 == 7 || !(x > lo && x < hi) {
			x = (lo + hi) / 2
		}
		fx := f(x)
		switch {
		case fx == 0:
			return x
		case fx < 0:
			lo, fl, fh = x, fx, fh/2
		default:
			hi, fh, fl = x, fx, fl/2
		}
	}
	return (lo + hi) / 2
}
