package stats

import (
	"errors"
	"math"
)

// ErrZeroDifference says that a number of passes was asked for to find no difference.
var ErrZeroDifference = errors.New("difference and standard deviation must be above zero")

// Power returns the chance that a two-sided t test at level alpha with n results per
// side finds a difference delta of two means with standard deviation sd. n may be
// fractional; below 2 there is no power (0).
func Power(n, delta, sd, alpha float64) float64 {
	if n < 2 {
		return 0
	}
	return power(delta*math.Sqrt(n/2)/sd, 2*n-2, alpha)
}

// PairedPower is [Power] for n pairs whose differences have standard deviation sd.
func PairedPower(n, delta, sd, alpha float64) float64 {
	if n < 2 {
		return 0
	}
	return power(delta*math.Sqrt(n)/sd, n-1, alpha)
}

// power is P(|T| > t) for the noncentral t: both tails are counted.
func power(ncp, df, alpha float64) float64 {
	t := TQuantile(1-alpha/2, df)
	return newChi(df).integrate(func(s float64) float64 {
		return normalCDF(ncp-t*s) + normalCDF(-t*s-ncp)
	}, (math.Abs(ncp)+6)/t)
}

// SampleSize returns how many results per side (paired: pairs) find delta with the wanted
// power, as a fraction; round up.
func SampleSize(delta, sd, alpha, wanted float64, paired bool) (float64, error) {
	if !(math.Abs(delta) > 0) || !(sd > 0) {
		return 0, ErrZeroDifference
	}
	f := Power
	if paired {
		f = PairedPower
	}
	hi := 4.0
	for f(hi, delta, sd, alpha) < wanted {
		if hi *= 2; hi > 1e7 {
			return 0, errors.New("more than ten million results would be needed")
		}
	}
	return solve(func(n float64) float64 { return f(n, delta, sd, alpha) - wanted }, 2, hi), nil
}

// KnownSDSampleSize is the normal formula 2 ((z(1-alpha/2) + z(power)) sd / delta)^2 for
// a pooled standard deviation of many degrees of freedom.
func KnownSDSampleSize(delta, sd, alpha, wanted float64) (float64, error) {
	if !(math.Abs(delta) > 0) || !(sd > 0) {
		return 0, ErrZeroDifference
	}
	inf := math.Inf(1)
	z := (TQuantile(1-alpha/2, inf) + TQuantile(wanted, inf)) * sd / delta
	return 2 * z * z, nil
}
