package sysinfo

import (
	"context"
	"testing"
	"time"
)

// TestSampling: the account of samples holds each once, the first apart.
func TestSampling(t *testing.T) {
	b := New(Options{Period: 20 * time.Millisecond, Keep: time.Second})
	if s := b.Sampling(); s.Samples != 0 || s.Mean() != 0 {
		t.Errorf("before sampling: %+v", s)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- b.Sample(ctx) }()
	deadline := time.Now().Add(10 * time.Second)
	for b.Sampling().Samples < 5 && time.Now().Before(deadline) {
		<-time.After(5 * time.Millisecond)
	}
	stop()
	<-ended
	s := b.Sampling()
	if s.Samples < 5 || s.First <= 0 || s.Longest <= 0 || s.Longest > s.All || s.Mean() > s.Longest || s.LongestAt.IsZero() {
		t.Errorf("%+v", s)
	}
}
