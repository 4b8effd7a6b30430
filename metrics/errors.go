package metrics

import "fmt"

// LongestMS is the longest frame time that is accepted, in ms (about 31 years). It keeps
// every sum finite.
const LongestMS = 1e12

// ShortestMS is the shortest frame time above zero that [More] accepts, and what the 99th
// percentile must reach, in ms (a picosecond). It keeps rates and their squares finite.
const ShortestMS = 1e-9

// Reason says why a series of frame times has no figures.
type Reason string

// The reasons of a [FrameError].
const (
	Empty     Reason = "empty"      // there are no frames
	Negative  Reason = "negative"   // a frame time below zero
	NotFinite Reason = "not finite" // NaN or an infinity
	TooLong   Reason = "too long"   // above LongestMS
	TooShort  Reason = "too short"  // above zero but below ShortestMS, which the figures on request refuse
	NoLength  Reason = "no length"  // too many frames of no length: a rate would be infinite
)

// FrameError is the error of every function of this package that refuses frame times.
type FrameError struct {
	Reason Reason
	Index  int     // of the first frame concerned, from 0; -1 where it concerns the series
	Value  float64 // of that frame, ms
}

// Error says what is wrong with which frame.
func (e *FrameError) Error() string {
	switch e.Reason {
	case Empty:
		return "no frames"
	case NoLength:
		return "99 in 100 frames or more have no length: the log holds no usable frame times"
	}
	return fmt.Sprintf("frame %d: a frame time of %v ms is %s", e.Index+1, e.Value, e.Reason)
}
