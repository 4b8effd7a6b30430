package stats

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Autocorrelation returns r_1 .. r_maxLag with the sum of all squares below (Box and
// Jenkins 1976; r_1 is the lag-1 coefficient that NIST certifies). They are NaN for a
// constant series.
func Autocorrelation(x []float64, maxLag int) ([]float64, error) {
	if err := finite(x); err != nil {
		return nil, err
	}
	if maxLag < 0 || maxLag >= len(x) {
		return nil, fmt.Errorf("lag %d needs more than %d values", maxLag, len(x))
	}
	d := deviations(x)
	c0 := squares(d, 0)
	r := make([]float64, maxLag)
	for k := 1; k <= maxLag; k++ {
		sum := 0.0
		for i := range d[:len(d)-k] {
			sum += d[i] * d[i+k]
		}
		r[k-1] = sum / c0
	}
	return r, nil
}

// deviations returns x less its mean, corrected once for the rounding of that mean.
func deviations(x []float64) []float64 {
	m := mean(x)
	d := make([]float64, len(x))
	sum := 0.0
	for i, v := range x {
		d[i] = v - m
		sum += d[i]
	}
	for i := range d {
		d[i] -= sum / float64(len(x))
	}
	return d
}

// EffectiveSize returns n / (1 + 2 sum r_k), the sum over the initial positive sequence
// of Geyer (Statistical Science 7, 1992): pairs r_2k + r_2k+1 until one is not positive.
// It lies between 1 and n; n for fewer than four values or a constant series.
func EffectiveSize(x []float64) (float64, error) {
	if err := finite(x); err != nil {
		return 0, err
	}
	n := len(x)
	c := autocovariance(x)
	if n < 4 || !(c[0] > 0) {
		return float64(n), nil
	}
	tau := -1.0
	for k := 0; k+1 < n; k += 2 {
		pair := (c[k] + c[k+1]) / c[0]
		if !(pair > 0) {
			break
		}
		tau += 2 * pair
	}
	return math.Max(1, math.Min(float64(n), float64(n)/math.Max(tau, 1e-300))), nil
}

// autocovariance returns n c_0 .. n c_(n-1) through the power spectrum of the series
// padded with zeros (Wiener 1930).
func autocovariance(x []float64) []float64 {
	size := 1
	for size < 2*len(x) {
		size *= 2
	}
	padded := make([]float64, size)
	copy(padded, deviations(x))
	fft := fourier.NewFFT(size)
	f := fft.Coefficients(nil, padded)
	for i, v := range f {
		f[i] = complex(real(v)*real(v)+imag(v)*imag(v), 0)
	}
	c := fft.Sequence(padded, f)[:len(x)]
	for i := range c {
		c[i] /= float64(size)
	}
	return c
}

// Batches is the standard error of a mean from the means of batches.
type Batches struct {
	Size, N int
	SE      float64 // NaN for fewer than two batches
}

// BatchMeans cuts x into batches of size values (0: the square root of their number,
// rounded down), leaves an incomplete one out and returns the standard error of the mean
// that the spread of their means shows (Conway, Management Science 10, 1963; from memory).
func BatchMeans(x []float64, size int) (Batches, error) {
	if err := finite(x); err != nil {
		return Batches{}, err
	}
	if size <= 0 {
		size = int(math.Sqrt(float64(len(x))))
	}
	b := Batches{Size: size, N: len(x) / size, SE: math.NaN()}
	var means []float64
	for i := range b.N {
		means = append(means, mean(x[i*size:(i+1)*size]))
	}
	if b.N > 1 {
		_, sd := meanSD(means)
		b.SE = sd / math.Sqrt(float64(b.N))
	}
	return b, nil
}
