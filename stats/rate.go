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

// Rate is a frame rate of a series of frame times.
type Rate struct {
	N          int
	TotalMS    float64
	FPS        float64 // 1000 N / total: the harmonic mean of the rates of the single frames
	ZeroFrames int
	Warnings   []Warning
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
