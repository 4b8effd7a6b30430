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
