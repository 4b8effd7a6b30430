package sysinfo

import (
	"sync"
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

// Sampling returns what samples have cost since the bench was made. It may be called at
// any time.
func (b *Bench) Sampling() Sampling {
	b.spent.mu.Lock()
	defer b.spent.mu.Unlock()
	return b.spent.sum
}

// spending adds up what samples cost.
type spending struct {
	mu  sync.Mutex
	sum Sampling
}

func (s *spending) add(at time.Time, used time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sum.Samples++; s.sum.Samples == 1 {
		s.sum.First = used
		return
	}
	s.sum.All += used
	if used > s.sum.Longest {
		s.sum.Longest, s.sum.LongestAt = used, at.Round(0).UTC()
	}
}
