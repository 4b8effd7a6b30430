package stats

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// What stands here no program calls. It is kept for the tests: other ways to the same
// figures, against which those in use are held, and methods whose published values show
// that the pieces that both are made of are right.

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

// CriticalRangeFactor returns f(n), the 95 % point of the range of n results with known
// standard deviation (ISO 5725-6:1994, clause 5; f(2) is the 2.8 of the repeatability
// limit).
func CriticalRangeFactor(n int) float64 { return StudentizedRange(0.95, n, math.Inf(1)) }

// Agree judges results y by the critical range limit (factor times s_r).
func Agree(y []float64, limit float64) (Agreement, error) {
	if err := finite(y); err != nil {
		return Agreement{}, err
	}
	s := sorted(y)
	a := Agreement{N: len(y), Range: s[len(s)-1] - s[0], Limit: limit, Mean: mean(y), Median: medianSorted(s)}
	// A range that equals the limit up to rounding is accepted.
	a.Accepted = a.Range <= limit*(1+1e-12)
	a.Final = a.Mean
	if !a.Accepted {
		a.Final = a.Median
	}
	if len(y) < 2 {
		a.Warnings = append(a.Warnings, TooFew)
	} else if a.Range == 0 {
		a.Warnings = append(a.Warnings, ZeroVariance)
	}
	return a, nil
}

// MeasuredGeometricMean returns the geometric mean of a fixed set of ratios with the
// interval of the measurement alone: log ratios, their standard errors and degrees of
// freedom; weights nil means equal ones. Value and limits are ratios, SE that of the
// logarithm.
func MeasuredGeometricMean(logRatio, se, df, weights []float64, conf float64) (Estimate, error) {
	if err := finite(logRatio); err != nil {
		return Estimate{}, err
	}
	w, err := weightsFor(len(logRatio), weights)
	if err != nil {
		return Estimate{}, err
	}
	var sw, sl float64
	for i, v := range logRatio {
		sw += w[i]
		sl += w[i] * v
	}
	parts := make([]float64, len(se))
	for i := range se {
		parts[i] = w[i] * se[i] / sw
	}
	s, v := Satterthwaite(parts, df)
	return About(sl/sw, s, v, conf).Exp(), nil
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

// ANOVA is a one-way analysis of variance.
type ANOVA struct {
	DFBetween, DFWithin  float64
	SSBetween, SSWithin  float64
	MSBetween, MSWithin  float64
	F, P                 float64
	RSquared, ResidualSD float64
}

// Line is a straight line fitted by least squares.
type Line struct {
	Intercept, Slope     float64
	SEIntercept, SESlope float64
	RSquared, ResidualSD float64
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

// QuantileRanks returns the ranks between which the p-quantile of n independent values
// lies with at least the given confidence, whatever their distribution (Thompson, Annals
// of Mathematical Statistics 7, 1936). Where neighbouring values are correlated it is too
// narrow: see [EffectiveSize].
func QuantileRanks(n int, p, conf float64) (RankInterval, error) {
	switch {
	case n < 1:
		return RankInterval{}, ErrNoValues
	case !(p > 0 && p < 1) || !(conf > 0 && conf < 1):
		return RankInterval{}, ErrProbability
	}
	b := distuv.Binomial{N: float64(n), P: p}
	quantile := func(q float64) int {
		return sort.Search(n, func(k int) bool { return b.CDF(float64(k)) >= q })
	}
	a := (1 - conf) / 2
	r := RankInterval{Low: quantile(a), High: quantile(1-a) + 1}
	r.LowBeyond, r.HighBeyond = r.Low < 1, r.High > n
	r.Coverage = b.CDF(float64(r.High-1)) - b.CDF(float64(r.Low-1))
	return r, nil
}

// MeanSD returns the mean and the sample standard deviation (divisor n-1; NaN for one
// value) in two passes over values from which the first is subtracted. The tests compare
// with the certified values of NIST's Statistical Reference Datasets.
func MeanSD(x []float64) (m, sd float64, err error) {
	if err := finite(x); err != nil {
		return 0, 0, err
	}
	m, sd = meanSD(x)
	return m, sd, nil
}

// AverageRate returns frames per second over frame times in ms. It is +Inf where no
// frame has a length.
func AverageRate(ms []float64) (Rate, error) {
	if err := times(ms); err != nil {
		return Rate{}, err
	}
	r := Rate{N: len(ms), TotalMS: total(ms)}
	r.FPS = 1000 * float64(r.N) / r.TotalMS
	for _, v := range ms {
		if v == 0 {
			r.ZeroFrames++
		}
	}
	if r.ZeroFrames > 0 {
		r.Warnings = []Warning{ZeroFrames}
	}
	return r, nil
}

// PooledRate returns the rate of several passes as one: sum of frames / sum of seconds.
func PooledRate(frames, seconds []float64) (float64, error) {
	if err := errors.Join(times(frames), times(seconds)); err != nil {
		return 0, err
	}
	if len(frames) != len(seconds) {
		return 0, fmt.Errorf("%d frame counts for %d lengths", len(frames), len(seconds))
	}
	t := total(seconds)
	if t == 0 {
		return 0, ErrNonPositive
	}
	return total(frames) / t, nil
}

// Spikes are values far from the others.
type Spikes struct {
	Median, MAD float64   // of all values; MAD is not scaled
	Index       []int     // of the spikes, from 0
	Filtered    []float64 // the series with each spike replaced by the median around it
	Warnings    []Warning
}

// FarFromMedian marks the values farther than limit scaled median absolute deviations
// from the median of all (Hampel, Journal of the American Statistical Association 69,
// 1974). Where the deviation is zero nothing is marked, with a warning.
func FarFromMedian(x []float64, limit float64) (Spikes, error) {
	if err := finite(x); err != nil {
		return Spikes{}, err
	}
	s := Spikes{Filtered: append([]float64(nil), x...)}
	s.Median, s.MAD = medianMAD(x)
	if s.MAD == 0 {
		s.Warnings = []Warning{ZeroMAD}
		return s, nil
	}
	for i, v := range x {
		s.judge(i, v, s.Median, s.MAD, limit)
	}
	return s, nil
}

// Hampel is [FarFromMedian] in the window of half values to either side of each value.
// The first and the last half values have no full window and are left as they are; a
// window without deviation marks nothing.
func Hampel(x []float64, half int, limit float64) (Spikes, error) {
	if err := finite(x); err != nil {
		return Spikes{}, err
	}
	s := Spikes{Filtered: append([]float64(nil), x...)}
	s.Median, s.MAD = medianMAD(x)
	for i := half; i < len(x)-half; i++ {
		median, mad := medianMAD(x[i-half : i+half+1])
		if mad > 0 {
			s.judge(i, x[i], median, mad, limit)
		} else if x[i] != median && len(s.Warnings) == 0 {
			s.Warnings = []Warning{ZeroMAD}
		}
	}
	return s, nil
}

func (s *Spikes) judge(i int, v, median, mad, limit float64) {
	if math.Abs(v-median) > limit*MADScale*mad {
		s.Index = append(s.Index, i)
		s.Filtered[i] = median
	}
}

// Stein returns the total number of results for an interval of the given half-width
// after n0 results with standard deviation s (Stein 1945), and the figure before
// rounding up.
func Stein(s float64, n0 int, halfWidth, conf float64) (total int, raw float64, err error) {
	if n0 < 2 || !(halfWidth > 0) || !(s >= 0) {
		return 0, 0, errors.New("two first results and a half-width above zero are needed")
	}
	t := TQuantile(0.5+conf/2, float64(n0-1))
	raw = t * s / halfWidth * (t * s / halfWidth)
	return max(n0, int(math.Ceil(raw))), raw, nil
}

// EffectiveSizeAR1 returns n (1-r)/(1+r), the number of independent values that tell as
// much of a mean as n values of a first-order process with lag-1 coefficient r; at most n.
func EffectiveSizeAR1(n int, r float64) float64 {
	return math.Min(float64(n), float64(n)*(1-r)/(1+r))
}

// CUSUM returns the one-sided cumulative sums max(0, s + x - target - k) and
// max(0, s + target - k - x) of Page (Biometrika 41, 1954), as tabulated in the
// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3. k is half of the shift to
// find, limit about 4 to 5 standard deviations.
func CUSUM(x []float64, target, k, limit float64) (Cusum, error) {
	if err := errors.Join(finite(x), finite([]float64{target, k, limit})); err != nil {
		return Cusum{}, err
	}
	c := Cusum{Alarm: -1}
	var up, down float64
	for i, v := range x {
		up, down = math.Max(0, up+v-target-k), math.Max(0, down+target-k-v)
		c.Upper, c.Lower = append(c.Upper, up), append(c.Lower, down)
		if c.Alarm < 0 && (up > limit || down > limit) {
			c.Alarm = i
		}
	}
	return c, nil
}
