package sysinfo

import (
	"sync"
	"time"

	"capd.example/record"
)

// Sampling returns what samples have cost since the bench was made. It may be called at
// any time.
func (b *Bench) Sampling() record.Sampling {
	b.spent.mu.Lock()
	defer b.spent.mu.Unlock()
	return b.spent.sum
}

// spending adds up what samples cost.
type spending struct {
	mu  sync.Mutex
	sum record.Sampling
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
