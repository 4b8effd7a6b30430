package stats

import (
	"errors"
	"math"
)

// Geometric is a geometric mean of ratios. The interval treats the ratios as a random
// sample ("games like these"): a spread, not an uncertainty of measurement.
type Geometric struct {
	Value                float64
	Arithmetic, Harmonic float64 // unweighted, to show what they would claim
	LogSD                float64 // NaN for one ratio or with weights
	Low, High            float64 // NaN likewise
}

// GeometricMean returns exp(sum w ln r / sum w) (Fleming and Wallace 1986); weights nil
// means equal ones.
func GeometricMean(r, weights []float64, conf float64) (Geometric, error) {
	if err := positive(r); err != nil {
		return Geometric{}, err
	}
	w, err := weightsFor(len(r), weights)
	if err != nil {
		return Geometric{}, err
	}
	var sw, sl, sa, sh float64
	for i, v := range r {
		sw += w[i]
		sl += w[i] * math.Log(v)
		sa += v
		sh += 1 / v
	}
	nan, n := math.NaN(), float64(len(r))
	g := Geometric{Value: math.Exp(sl / sw), Arithmetic: sa / n, Harmonic: n / sh, LogSD: nan, Low: nan, High: nan}
	if weights == nil && len(r) > 1 {
		e, err := TInterval(logs(r), conf)
		if err != nil {
			return g, err
		}
		g.LogSD, g.Low, g.High = e.SD, math.Exp(e.Low), math.Exp(e.High)
	}
	return g, nil
}

func weightsFor(n int, w []float64) ([]float64, error) {
	if w == nil {
		w = make([]float64, n)
		for i := range w {
			w[i] = 1
		}
		return w, nil
	}
	if len(w) != n {
		return nil, errors.New("weights and values differ in number")
	}
	for _, v := range w {
		if !(v > 0) {
			return nil, errors.New("weights must be above zero")
		}
	}
	return w, nil
}
