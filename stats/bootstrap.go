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

// Resample bootstraps a statistic of independent values. The statistic may reorder what
// it is given but not keep it. Where all n^n resamples are no more than d.N, each is
// taken once. It is no tool for three passes, whose 27 resamples hold ten different
// means.
func Resample(x []float64, statistic func([]float64) float64, d Draws) (Bootstrap, error) {
	if err := errors.Join(finite(x), d.check()); err != nil {
		return Bootstrap{}, err
	}
	var values []float64
	complete := math.Pow(float64(len(x)), float64(len(x))) <= float64(d.N)
	if complete {
		values = allResamples(x, statistic)
	} else {
		rng, buf := d.source(), make([]float64, len(x))
		for range d.N {
			for i := range buf {
				buf[i] = x[rng.IntN(len(x))]
			}
			values = append(values, statistic(buf))
		}
	}
	b := summarise(statistic(slices.Clone(x)), values, d.Confidence)
	b.Complete = complete
	b.accelerate(x, statistic, values, d.Confidence)
	return b, nil
}

// allResamples takes each of the n^n resamples once, every one in the order of x so that
// equal ones give equal values to the last bit.
func allResamples(x []float64, statistic func([]float64) float64) (values []float64) {
	s := sorted(x)
	pick, buf := make([]int, len(x)), make([]float64, len(x))
	for {
		for i, k := range pick {
			buf[i] = s[k]
		}
		slices.Sort(buf)
		values = append(values, statistic(buf))
		i := 0
		for ; i < len(pick); i++ {
			if pick[i]++; pick[i] < len(x) {
				break
			}
			pick[i] = 0
		}
		if i == len(pick) {
			return values
		}
	}
}

// summarise sorts values.
func summarise(value float64, values []float64, conf float64) Bootstrap {
	nan := math.NaN()
	b := Bootstrap{Value: value, Resamples: len(values), Z0: nan, Accel: nan, LevelLow: nan, LevelHigh: nan, BCaLow: nan, BCaHigh: nan}
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

// accelerate fills in the BCa limits from sorted resample values.
func (b *Bootstrap) accelerate(x []float64, statistic func([]float64) float64, values []float64, conf float64) {
	if len(x) < 2 {
		return
	}
	// Values that are equal but for rounding count as ties, half below.
	eps := 1e-12 * math.Max(math.Abs(b.Value), values[len(values)-1]-values[0])
	below, _ := slices.BinarySearch(values, b.Value-eps)
	upTo, _ := slices.BinarySearch(values, math.Nextafter(b.Value+eps, math.Inf(1)))
	b.Z0 = TQuantile(float64(below+upTo)/2/float64(len(values)), math.Inf(1))
	b.Accel = acceleration(x, statistic)
	z := TQuantile(0.5+conf/2, math.Inf(1))
	level := func(z float64) float64 {
		s := b.Z0 + z
		return normalCDF(b.Z0 + s/(1-b.Accel*s))
	}
	b.LevelLow, b.LevelHigh = level(-z), level(z)
	b.BCaLow, b.BCaHigh = empirical(values, b.LevelLow), empirical(values, b.LevelHigh)
}

// acceleration is sum d^3 / (6 (sum d^2)^1.5) over the leave-one-out values' distances
// from their mean.
func acceleration(x []float64, statistic func([]float64) float64) float64 {
	var left []float64
	for i := range x {
		left = append(left, statistic(slices.Delete(slices.Clone(x), i, i+1)))
	}
	m := mean(left)
	var d2, d3 float64
	for _, v := range left {
		d := m - v
		d2 += d * d
		d3 += d * d * d
	}
	if d2 == 0 {
		return 0
	}
	return d3 / (6 * math.Pow(d2, 1.5))
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

// ResampleBlocks bootstraps a statistic over [Blocks]. The limits hold for this one
// series: they know nothing of the spread between passes.
func ResampleBlocks(x []float64, block int, statistic func([]float64) float64, d Draws) (Bootstrap, error) {
	if err := errors.Join(finite(x), d.check()); err != nil {
		return Bootstrap{}, err
	}
	values := make([]float64, 0, d.N)
	for drawn := range Blocks(x, block, d) {
		values = append(values, statistic(drawn))
	}
	return summarise(statistic(slices.Clone(x)), values, d.Confidence), nil
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

// ResampleGroups bootstraps a statistic of values in groups, say frames in passes: groups
// are drawn with replacement and then blocks of values within each drawn group (block 1:
// single values). The statistic sees one slice per drawn group.
func ResampleGroups(groups [][]float64, block int, statistic func([][]float64) float64, d Draws) (Bootstrap, error) {
	if len(groups) == 0 {
		return Bootstrap{}, ErrNoValues
	}
	for _, g := range groups {
		if err := finite(g); err != nil {
			return Bootstrap{}, err
		}
	}
	if err := d.check(); err != nil {
		return Bootstrap{}, err
	}
	rng := d.source()
	drawn := make([][]float64, len(groups))
	values := make([]float64, 0, d.N)
	for range d.N {
		for i := range drawn {
			g := groups[rng.IntN(len(groups))]
			drawn[i] = drawBlocks(drawn[i][:0], g, max(1, min(block, len(g))), rng)
		}
		values = append(values, statistic(drawn))
	}
	whole := make([][]float64, len(groups))
	for i, g := range groups {
		whole[i] = slices.Clone(g)
	}
	return summarise(statistic(whole), values, d.Confidence), nil
}
