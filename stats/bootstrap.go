package stats

import (
	"errors"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
)

// Bootstrap is what resampling tells about a statistic.
type Bootstrap struct {
	Value     float64 // of the data themselves
	SE        float64 // standard deviation over the resamples (divisor: their number)
	Low, High float64 // percentile limits
	Resamples int
	Complete  bool // every possible resample was looked at, none by chance

	// Bias-corrected and accelerated limits (Efron, Journal of the American Statistical
	// Association 82, 1987; Efron and Tibshirani 1993, chapter 14); NaN where a method
	// does not give them.
	Z0, Accel       float64
	LevelLow        float64 // of the resamples, at which BCaLow lies
	LevelHigh       float64
	BCaLow, BCaHigh float64
}

// Draws says how to resample. The same settings give the same result on every machine.
type Draws struct {
	N          int     // resamples, 200 or more for a standard error, 1,000 for limits
	Seed       uint64  // report it with the result
	Confidence float64 // of the limits
}

func (d Draws) check() error {
	if d.N < 2 || !(d.Confidence > 0 && d.Confidence < 1) {
		return errors.New("at least two resamples and a confidence between 0 and 1 are needed")
	}
	return nil
}

func (d Draws) source() *rand.Rand { return rand.New(rand.NewPCG(d.Seed, 0x5eed)) }

// summarise sorts values.
func summarise(value float64, values []float64, conf float64) Bootstrap {
	nan := math.NaN()
	b := Bootstrap{Value: value, Resamples: len(values), Z0: nan, Accel: nan, LevelLow: nan, LevelHigh: nan, BCaLow: nan,
		BCaHigh: nan}
	slices.Sort(values)
	_, sd := meanSD(values)
	n := float64(len(values))
	b.SE = sd * math.Sqrt((n-1)/n)
	b.Low, b.High = empirical(values, (1-conf)/2), empirical(values, (1+conf)/2)
	return b
}

// empirical is the type 1 quantile of sorted values.
func empirical(s []float64, p float64) float64 {
	v, err := QuantileSorted(s, p, 1)
	if err != nil {
		return math.NaN()
	}
	return v
}

// Blocks yields resamples of a series whose neighbours are correlated, from moving blocks
// (Kunsch, Annals of Statistics 17, 1989; from memory); block 0 means the square root of
// the number of values, rounded down. What is yielded may be reordered but not kept. It
// yields nothing for no values.
func Blocks(x []float64, block int, d Draws) iter.Seq[[]float64] {
	if block <= 0 {
		block = int(math.Sqrt(float64(len(x))))
	}
	block = min(block, len(x))
	return func(yield func([]float64) bool) {
		rng, buf := d.source(), make([]float64, 0, len(x))
		for i := 0; i < d.N && len(x) > 0; i++ {
			buf = drawBlocks(buf[:0], x, block, rng)
			if !yield(buf) {
				return
			}
		}
	}
}

// OfResamples summarises values of a statistic over resamples; value is that of the data
// themselves.
func OfResamples(value float64, values []float64, conf float64) (Bootstrap, error) {
	if err := errors.Join(finite(values), Draws{N: len(values), Confidence: conf}.check()); err != nil {
		return Bootstrap{}, err
	}
	return summarise(value, slices.Clone(values), conf), nil
}

// drawBlocks appends len(x) values in blocks of x, the last cut to fit.
func drawBlocks(buf, x []float64, block int, rng *rand.Rand) []float64 {
	for len(buf) < len(x) {
		i := rng.IntN(len(x) - block + 1)
		buf = append(buf, x[i:i+min(block, len(x)-len(buf))]...)
	}
	return buf
}
