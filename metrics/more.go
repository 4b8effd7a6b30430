package metrics

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"slices"

	"capd.example/record"
	"capd.example/stats"
)

// Options say which figures [More] computes beside the default ones. The zero value asks
// for none.
type Options struct {
	QuantileType int       // percentiles of this Hyndman-Fan type, 1 to 9; 0 for none
	LowPercent   []float64 // low rates over these shares, in per cent of the frames
	OverMS       []float64 // frame-time limits, ms
	CapFPS       []float64 // rates at which a frame cap is looked for
	Trend        bool
	Interval     *Draws // block bootstrap of the default rates; nil for none
}

// Draws are the settings of the block bootstrap.
type Draws struct {
	N          int     // resamples
	Block      int     // frames per block; 0 means the square root of their number, rounded down
	Seed       uint64  // the same seed gives the same limits on every machine
	Confidence float64 // of the limits, 0.95 for 95 %
}

// DefaultDraws are 1,000 resamples at 95 % with seed 1.
func DefaultDraws() Draws { return Draws{N: 1000, Seed: 1, Confidence: 0.95} }

// Check returns the first thing that is wrong with the options.
func (o Options) Check() error {
	if o.QuantileType < 0 || o.QuantileType > 9 {
		return fmt.Errorf("quantile type %d is none of 1 to 9", o.QuantileType)
	}
	for _, p := range o.LowPercent {
		if _, _, err := share(p); err != nil {
			return err
		}
	}
	for _, v := range slices.Concat(o.OverMS, o.CapFPS) {
		if !(v > 0) || math.IsInf(v, 1) {
			return fmt.Errorf("a limit of %v makes no sense: it must be above zero", v)
		}
	}
	if d := o.Interval; d != nil && (d.N < 100 || !(d.Confidence > 0 && d.Confidence < 1) || d.Block < 0) {
		return errors.New("an interval needs 100 resamples or more, a confidence between 0 and 1 and a block length of 0 or more")
	}
	return nil
}

// Extra holds the figures on request; what was not asked for is left out of its JSON.
type Extra struct {
	Quantiles *Quantiles `json:"quantiles,omitempty"`
	Lows      []Low      `json:"lows,omitempty"`
	Over      []Over     `json:"over,omitempty"`
	Caps      []Cap      `json:"caps,omitempty"`
	Trend     *Trend     `json:"trend,omitempty"`
	Interval  *Interval  `json:"interval,omitempty"`
}

// Quantiles are percentiles of the frame times by another definition than type 7.
type Quantiles struct {
	Type     int     `json:"type"` // of Hyndman and Fan
	MedianMS float64 `json:"median_ms"`
	P95MS    float64 `json:"p95_ms"`
	P99MS    float64 `json:"p99_ms"`
	P999MS   float64 `json:"p999_ms"`
	P99FPS   float64 `json:"p99_fps"` // 1000 / p99_ms
}

// Low is a low rate over another share than 1 % and 0.1 %.
type Low struct {
	Percent       float64 `json:"percent"`
	Frames        int     `json:"frames"`         // k = ceil(p n)
	FPS           float64 `json:"fps"`            // k / sum of the k longest
	TimeFPS       float64 `json:"time_fps"`       // rate at the frame where the longest have filled the share of the time
	PercentileFPS float64 `json:"percentile_fps"` // 1000 / Q(1-p), type 7
	Sparse        bool    `json:"sparse,omitempty"`
}

// Over counts frames longer than a limit.
type Over struct {
	MS        float64 `json:"ms"`
	Frames    int     `json:"frames"`
	Share     float64 `json:"share"`      // of the frames
	TimeS     float64 `json:"time_s"`     // sum of those frame times, s
	TimeShare float64 `json:"time_share"` // of the pass
}

// More returns the figures that o asks for. Errors of frames are a [*FrameError], any
// other concerns o.
func More(f record.Frames, o Options) (Extra, error) {
	if err := o.Check(); err != nil {
		return Extra{}, err
	}
	whole, err := Compute(f) // which refuses what are no frame times
	if err != nil {
		return Extra{}, err
	}
	if i := slices.IndexFunc(f.MS, func(v float64) bool { return v > 0 && v < ShortestMS }); i >= 0 {
		return Extra{}, &FrameError{Reason: TooShort, Index: i, Value: f.MS[i]}
	}
	asc := ascending(f.MS)
	var e Extra
	if o.QuantileType > 0 {
		if e.Quantiles, err = quantiles(asc, o.QuantileType); err != nil {
			return Extra{}, err
		}
	}
	for _, p := range o.LowPercent {
		l, err := low(asc, p)
		if err != nil {
			return Extra{}, err
		}
		e.Lows = append(e.Lows, l)
	}
	for _, limit := range o.OverMS {
		e.Over = append(e.Over, over(f, asc, limit))
	}
	for _, rate := range o.CapFPS {
		e.Caps = append(e.Caps, capAt(f.MS, rate))
	}
	if o.Trend {
		if e.Trend, err = trendOf(f.MS); err != nil {
			return Extra{}, err
		}
	}
	if o.Interval != nil {
		e.Interval, err = interval(f, whole, *o.Interval)
	}
	return e, err
}

// ascending sorts; minus zero becomes zero, which the exact sums need.
func ascending(ms []float64) []float64 {
	asc := slices.Clone(ms)
	for i := range asc {
		asc[i] += 0
	}
	slices.Sort(asc)
	return asc
}

func quantiles(asc []float64, kind int) (*Quantiles, error) {
	q := &Quantiles{Type: kind}
	for p, to := range map[float64]*float64{0.5: &q.MedianMS, 0.95: &q.P95MS, 0.99: &q.P99MS, 0.999: &q.P999MS} {
		v, err := stats.QuantileSorted(asc, p, kind)
		if err != nil {
			return nil, err
		}
		*to = v
	}
	if q.P99MS < ShortestMS {
		return nil, &FrameError{Reason: NoLength, Index: -1}
	}
	q.P99FPS = 1000 / q.P99MS
	return q, nil
}

// share turns per cent into a fraction, so that ranks are exact.
func share(percent float64) (num, den int, err error) {
	r, ok := new(big.Rat).SetString(fmt.Sprint(percent))
	if !ok || !(percent > 0 && percent < 100) {
		return 0, 0, fmt.Errorf("a share of %v %% makes no sense: it must be between 0 and 100", percent)
	}
	r.Mul(r, big.NewRat(1, 100))
	if !r.Denom().IsInt64() || r.Denom().Int64() > 1e9 {
		return 0, 0, fmt.Errorf("a share of %v %% has too many digits: seven after the point are enough", percent)
	}
	return int(r.Num().Int64()), int(r.Denom().Int64()), nil
}

func low(asc []float64, percent float64) (Low, error) {
	num, den, err := share(percent)
	if err != nil {
		return Low{}, err
	}
	l, err := stats.LowRate(asc, num, den)
	if err != nil {
		return Low{}, err
	}
	if math.IsInf(l.PercentileFPS, 1) || math.IsInf(l.TimeFPS, 1) {
		return Low{}, &FrameError{Reason: NoLength, Index: -1}
	}
	return Low{Percent: percent, Frames: l.K, FPS: l.CountFPS, TimeFPS: l.TimeFPS, PercentileFPS: l.PercentileFPS,
		Sparse: slices.Contains(l.Warnings, stats.ThinTail)}, nil
}

// over sums exactly, as the default figures do.
func over(f record.Frames, asc []float64, limit float64) Over {
	from, _ := slices.BinarySearch(asc, math.Nextafter(limit, math.Inf(1)))
	longer := asc[from:]
	all := newSum(len(asc), f.Decimals, asc[len(asc)-1])
	part := all
	all.addAll(asc)
	part.addAll(longer)
	return Over{MS: limit, Frames: len(longer), Share: float64(len(longer)) / float64(len(asc)),
		TimeS: part.seconds(), TimeShare: part.ms() / all.ms()}
}
