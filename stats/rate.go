package stats

import (
	"errors"
	"fmt"
)

// ErrNegative says that a time below zero was given.
var ErrNegative = errors.New("a time is negative")

// ZeroFrames warns of frames of no length, which raise a rate and usually mean
// duplicated time stamps.
const ZeroFrames Warning = "frames of no length"

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

// Rate is a frame rate of a series of frame times.
type Rate struct {
	N          int
	TotalMS    float64
	FPS        float64 // 1000 N / total: the harmonic mean of the rates of the single frames
	ZeroFrames int
	Warnings   []Warning
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

// times refuses values that cannot be durations.
func times(x []float64) error {
	if err := finite(x); err != nil {
		return err
	}
	for i, v := range x {
		if v < 0 {
			return fmt.Errorf("value %d, %v: %w", i+1, v, ErrNegative)
		}
	}
	return nil
}

// total adds with compensation (Neumaier, ZAMM 54, 1974).
func total(x []float64) float64 {
	var s neumaier
	for _, v := range x {
		s.add(v)
	}
	return s.value()
}

// neumaier is a compensated sum; its zero value is an empty one.
type neumaier struct{ sum, comp float64 }

func (s *neumaier) add(v float64) {
	t := s.sum + v
	if s.sum >= v && s.sum >= -v || s.sum <= v && s.sum <= -v {
		s.comp += (s.sum - t) + v
	} else {
		s.comp += (v - t) + s.sum
	}
	s.sum = t
}

func (s *neumaier) value() float64 { return s.sum + s.comp }
