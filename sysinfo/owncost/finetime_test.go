package owncost

import (
	"testing"
	"time"
)

func TestFromTicks(t *testing.T) {
	const year = 365 * 24 * time.Hour
	for _, rate := range []int64{1, 3_579_545, 10_000_000, 4_200_000_000} { // the third is what Windows 10 counts by
		n := rate*int64(year/time.Second) + rate/2
		want := year + time.Duration(rate/2*int64(time.Second)/rate)
		if got := fromTicks(n, rate); got != want {
			t.Errorf("%d ticks at %d Hz are %s, want %s", n, rate, got, want)
		}
	}
	if got := fromTicks(5, 0); got != 0 {
		t.Errorf("a counter without a rate: %s", got)
	}
}

// TestFineTime: it goes on and never back. How fine it is depends on the machine: see -v.
func TestFineTime(t *testing.T) {
	start := FineTime()
	last, least := start, time.Hour
	for last-start < 100*time.Millisecond {
		now := FineTime()
		if now < last {
			t.Fatalf("it goes back from %s to %s", last, now)
		}
		if now > last {
			least = min(least, now-last)
		}
		last = now
	}
	t.Logf("the smallest step was %s", least)
}
