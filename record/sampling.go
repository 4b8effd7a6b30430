package record

import (
	"time"
)

// Sampling is what taking samples has cost so far: processor time where the system counts
// that of a thread finely, else the time from a sample's start to its end.
type Sampling struct {
	Samples   uint64
	First     time.Duration // the first sample looks at every process
	All       time.Duration // of all samples but the first
	Longest   time.Duration // of these
	LongestAt time.Time     // when that one was taken
}

// Mean returns the average of all samples but the first.
func (s Sampling) Mean() time.Duration {
	if s.Samples < 2 {
		return 0
	}
	return s.All / time.Duration(s.Samples-1)
}
