package stats

import "math"

// MADScale is 1/z(3/4): it makes the median absolute deviation of normal values their
// standard deviation.
const MADScale = 1.4826022185056018

// ZeroMAD warns that more than half of the values are equal, so that a median absolute
// deviation says nothing about the others.
const ZeroMAD Warning = "the median absolute deviation is zero"

// MAD returns the median of x and the median of |x - median|, not scaled.
func MAD(x []float64) (median, mad float64, err error) {
	if err := finite(x); err != nil {
		return 0, 0, err
	}
	median, mad = medianMAD(x)
	return median, mad, nil
}

func medianMAD(x []float64) (median, mad float64) {
	median = medianSorted(sorted(x))
	away := make([]float64, len(x))
	for i, v := range x {
		away[i] = math.Abs(v - median)
	}
	return median, medianSorted(sorted(away))
}

// Spikes are values far from the others.
type Spikes struct {
	Median, MAD float64   // of all values; MAD is not scaled
	Index       []int     // of the spikes, from 0
	Filtered    []float64 // the series with each spike replaced by the median around it
	Warnings    []Warning
}

// FarFromMedian marks the values farther than limit scaled median absolute deviations
// from the median of all (Hampel, Journal of the American Statistical Association 69,
// 1974). Where the deviation is zero nothing is marked, with a warning.
func FarFromMedian(x []float64, limit float64) (Spikes, error) {
	if err := finite(x); err != nil {
		return Spikes{}, err
	}
	s := Spikes{Filtered: append([]float64(nil), x...)}
	s.Median, s.MAD = medianMAD(x)
	if s.MAD == 0 {
		s.Warnings = []Warning{ZeroMAD}
		return s, nil
	}
	for i, v := range x {
		s.judge(i, v, s.Median, s.MAD, limit)
	}
	return s, nil
}

// Hampel is [FarFromMedian] in the window of half values to either side of each value.
// The first and the last half values have no full window and are left as they are; a
// window without deviation marks nothing.
func Hampel(x []float64, half int, limit float64) (Spikes, error) {
	if err := finite(x); err != nil {
		return Spikes{}, err
	}
	s := Spikes{Filtered: append([]float64(nil), x...)}
	s.Median, s.MAD = medianMAD(x)
	for i := half; i < len(x)-half; i++ {
		median, mad := medianMAD(x[i-half : i+half+1])
		if mad > 0 {
			s.judge(i, x[i], median, mad, limit)
		} else if x[i] != median && len(s.Warnings) == 0 {
			s.Warnings = []Warning{ZeroMAD}
		}
	}
	return s, nil
}

func (s *Spikes) judge(i int, v, median, mad, limit float64) {
	if math.Abs(v-median) > limit*MADScale*mad {
		s.Index = append(s.Index, i)
		s.Filtered[i] = median
	}
}
