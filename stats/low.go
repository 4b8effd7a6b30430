package stats

import (
	"fmt"
	"math"
)

// ThinTail warns that fewer than ten frames lie in a tail (ten is a convention).
const ThinTail Warning = "fewer than ten frames in the tail"

// Low holds the low frame rates of a series by several definitions, all in frames per
// second; p is the share asked for, d_1 >= d_2 >= ... are the frame times from the
// longest down and C_j is the sum of the first j.
type Low struct {
	PercentileFPS float64 // 1000 / Q(1-p), Q of type 7
	K             int     // ceil(p n)
	CountFPS      float64 // 1000 K / C_K
	FractionalFPS float64 // the same over exactly p n frames, the last one in part
	Rank          int     // the smallest j with C_j >= p T
	TimeFPS       float64 // 1000 / d_Rank
	TailMS        float64 // C_Rank
	TailTimeFPS   float64 // mean rate over exactly the slowest p of the time
	Warnings      []Warning
}

// LowRate returns the low rates of frame times in ms for the share num/den, say 1/100.
// CountFPS and TimeFPS are never above 1000/d_K, which is never above PercentileFPS for
// shares 1/den.
func LowRate(ms []float64, num, den int) (Low, error) {
	if err := times(ms); err != nil {
		return Low{}, err
	}
	if num < 1 || num >= den {
		return Low{}, fmt.Errorf("share %d/%d: %w", num, den, ErrProbability)
	}
	asc := sorted(ms)
	n := len(asc)
	l := Low{K: TailCount(n, num, den)}
	q, err := QuantileSorted(asc, float64(den-num)/float64(den), 7)
	if err != nil {
		return Low{}, err
	}
	l.PercentileFPS = 1000 / q
	l.CountFPS = SlowestRate(asc, float64(l.K))
	l.FractionalFPS = SlowestRate(asc, float64(num)*float64(n)/float64(den))
	l.byTime(asc, num, den)
	if n*num < 10*den {
		l.Warnings = []Warning{ThinTail}
	}
	return l, nil
}

// byTime fills in what goes by the share of time.
func (l *Low) byTime(asc []float64, num, den int) {
	n, t := len(asc), total(asc)
	share := float64(num) * t / float64(den)
	var c neumaier
	for {
		before := c.value()
		d := asc[n-1-l.Rank]
		c.add(d)
		l.Rank++
		l.TailMS = c.value()
		if float64(den)*l.TailMS >= float64(num)*t || l.Rank == n {
			l.TimeFPS = 1000 / d
			l.TailTimeFPS = 1000 * (float64(l.Rank-1) + (share-before)/d) / share
			return
		}
	}
}

// TailCount returns ceil(n num/den) in whole numbers.
func TailCount(n, num, den int) int { return (n*num + den - 1) / den }

// SlowestRate returns the mean rate in frames per second over the m slowest of frame
// times in ascending order, m >= 0; a part of a frame counts with that part.
func SlowestRate(asc []float64, m float64) float64 {
	n := len(asc)
	m = math.Min(m, float64(n))
	whole := int(m)
	var c neumaier
	for _, d := range asc[n-whole:] {
		c.add(d)
	}
	if part := m - float64(whole); part > 0 {
		c.add(part * asc[n-whole-1])
	}
	return 1000 * m / c.value()
}
