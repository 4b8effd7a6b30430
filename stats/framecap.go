package stats

import "math"

// CapHits counts the frames at the interval of a refresh rate or limiter.
type CapHits struct {
	N       int
	At      [3]int // frames within the tolerance of one, two and three intervals
	Shorter int    // frames shorter than one interval by more than the tolerance
}

// HitsAt counts frame times in ms at the rate hz; tolerance is relative. A frame that
// could belong to two multiples counts for the smaller one. A large share alone proves
// no cap: an uncapped pass has some of its frames near any rate.
func HitsAt(ms []float64, hz, tolerance float64) CapHits {
	h := CapHits{N: len(ms)}
	for _, v := range ms {
		k := v * hz / 1000
		if k < 1-tolerance {
			h.Shorter++
			continue
		}
		for i := range h.At {
			if math.Abs(k/float64(i+1)-1) <= tolerance {
				h.At[i]++
				break
			}
		}
	}
	return h
}

// Share returns the share of frames at one to multiples intervals; 0 without frames.
func (h CapHits) Share(multiples int) float64 {
	n := 0
	for _, v := range h.At[:multiples] {
		n += v
	}
	return float64(n) / math.Max(1, float64(h.N))
}

// ShorterShare returns the share of frames shorter than the interval.
func (h CapHits) ShorterShare() float64 { return float64(h.Shorter) / math.Max(1, float64(h.N)) }
