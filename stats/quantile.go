package stats

import (
	"errors"
	"fmt"
	"math"
)

// ErrProbability says that a probability is outside [0, 1].
var ErrProbability = errors.New("a probability lies outside 0 to 1")

// Quantile returns the p-quantile of x by one of the nine definitions of Hyndman and Fan
// (American Statistician 50, 1996); kind is their number. Type 7 is the default of most
// programs, type 8 what they recommend.
func Quantile(x []float64, p float64, kind int) (float64, error) {
	if err := finite(x); err != nil {
		return 0, err
	}
	return QuantileSorted(sorted(x), p, kind)
}

// QuantileSorted is [Quantile] of values in ascending order, which are not looked at.
func QuantileSorted(s []float64, p float64, kind int) (float64, error) {
	if !(p >= 0 && p <= 1) {
		return 0, fmt.Errorf("%v: %w", p, ErrProbability)
	}
	if kind < 1 || kind > 9 {
		return 0, fmt.Errorf("quantile type %d is none of 1 to 9", kind)
	}
	if len(s) == 0 {
		return 0, ErrNoValues
	}
	j, g := position(float64(len(s)), p, kind)
	lo, hi := s[within(j-1, len(s))], s[within(j, len(s))]
	switch {
	case g == 0 || lo == hi:
		return lo, nil
	case g == 1:
		return hi, nil
	}
	return math.Min(lo+g*(hi-lo), hi), nil
}

func within(i, n int) int { return max(0, min(i, n-1)) }

// position returns j = floor(np + m) and the weight g of the order statistic j+1.
func position(n, p float64, kind int) (j int, g float64) {
	var m float64
	switch kind {
	case 3:
		m = -0.5
	case 5:
		m = 0.5
	case 6:
		m = p
	case 7:
		m = 1 - p
	case 8:
		m = (p + 1) / 3
	case 9:
		m = p/4 + 3.0/8
	}
	h := n*p + m
	if kind == 7 {
		h = (n-1)*p + 1
	}
	// A product that should be whole must not count as one just below or above it.
	fuzz := 4 * 0x1p-52 * math.Max(1, h)
	f := math.Floor(h + fuzz)
	r := h - f
	if math.Abs(r) < fuzz {
		r = 0
	}
	return int(f), weight(kind, int(f), r)
}

func weight(kind, j int, r float64) float64 {
	switch {
	case kind > 3:
		return r
	case r > 0:
		return 1
	case kind == 2:
		return 0.5
	case kind == 3 && j%2 != 0:
		return 1
	}
	return 0
}

// RankInterval is an interval of a quantile from order statistics. Ranks count from 1
// among ascending values; a limit beyond the sample does not exist.
type RankInterval struct {
	Low, High             int
	LowBeyond, HighBeyond bool
	Coverage              float64 // P(Low <= B < High), B binomial
}
