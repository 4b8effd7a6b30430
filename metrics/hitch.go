package metrics

import (
	"math"
	"slices"
)

// HitchRule says which frames are hitches: frames far longer than their neighbours.
//
// Around frame i lies the window of the frames i-HalfWindow to i+HalfWindow; at both
// ends of a pass it shrinks to the frames that there are. With med the window's median
// and MAD the median of |x - med| over it, the frame is a hitch when all of these hold:
//
//	x_i - med > Limit * max(1.4826 MAD, Floor * med)
//	x_i > Factor * med
//	x_i - med > OverMS
//
// The first line is the rule of Hampel ("The influence curve and its role in robust
// estimation", JASA 69, 1974) with a floor for passes under a frame cap, whose MAD is
// next to nothing. 1.4826 = 1/z(3/4) makes the MAD a standard deviation for normal
// values. The other two lines, the floor and the window are conventions.
type HitchRule struct {
	HalfWindow int     // frames to either side
	Limit      float64 // in scaled MAD
	Floor      float64 // least scaled MAD, as a share of the median
	Factor     float64 // of the median
	OverMS     float64 // ms above the median
}

// DefaultHitchRule is the rule of [Compute]: a window of 61 frames, 3 scaled MAD, a
// floor of 2 %, more than twice the median and more than 8 ms above it.
func DefaultHitchRule() HitchRule {
	return HitchRule{HalfWindow: 30, Limit: 3, Floor: 0.02, Factor: 2, OverMS: 8}
}

// MADScale is 1/z(3/4), with z the quantile of the normal distribution.
const MADScale = 1.4826022185056018

// Hitches returns the indices of the hitches among frame times in ms. The error is a
// [*FrameError].
func Hitches(x []float64, rule HitchRule) ([]int, error) {
	c := computers.Get().(*Computer)
	defer computers.Put(c)
	s, err := c.survey(x)
	if err != nil {
		return nil, err
	}
	var out []int
	c.eachHitch(s.ms, rule, func(i int) { out = append(out, i) })
	return out, nil
}

func (c *Computer) countHitches(x []float64, rule HitchRule) int {
	n := 0
	c.eachHitch(x, rule, func(int) { n++ })
	return n
}

// eachHitch calls found for every hitch. Nearly all frames are settled by a bound: the
// window lies in the frame's block and the two beside it, so its median is not below
// their shortest frame.
func (c *Computer) eachHitch(x []float64, rule HitchRule, found func(i int)) {
	size := max(rule.HalfWindow, 16)
	c.blockFloors(x, size)
	for b := 0; b*size < len(x); b++ {
		floor := ms(min(c.floors[b], c.floors[b+1], c.floors[b+2]))
		bound := max(floor*rule.Factor, floor+rule.OverMS)
		// The margin covers the rounding of the bound.
		bound -= bound * 1e-12
		for i := b * size; i < min((b+1)*size, len(x)); i++ {
			if x[i] > bound && c.isHitch(x, i, rule) {
				found(i)
			}
		}
	}
}

// blockFloors sets floors[b+1] to the key of the shortest frame of block b.
func (c *Computer) blockFloors(x []float64, size int) {
	c.floors = append(c.floors[:0], math.MaxUint64)
	for len(x) > 0 {
		block := x[:min(size, len(x))]
		x = x[len(block):]
		low := uint64(math.MaxUint64)
		for _, v := range block {
			low = min(low, math.Float64bits(v))
		}
		c.floors = append(c.floors, low)
	}
	c.floors = append(c.floors, math.MaxUint64)
}

func (c *Computer) isHitch(x []float64, i int, rule HitchRule) bool {
	w := x[max(i-rule.HalfWindow, 0):min(i+rule.HalfWindow+1, len(x))]
	v := x[i]
	// In a window of odd length the median is below a limit exactly when more than half
	// of the frames are: counting spares most frames the selection. The margin covers
	// the rounding of the limit.
	if limit := v - rule.OverMS; len(w)%2 == 1 && countBelow(w, limit+v*1e-12) <= len(w)/2 {
		return false
	}
	med := c.medianOf(w, 0)
	if v-med <= rule.OverMS || v <= rule.Factor*med {
		return false
	}
	mad := c.medianOf(w, med)
	return v-med > rule.Limit*max(MADScale*mad, rule.Floor*med)
}

func countBelow(w []float64, limit float64) int {
	n := 0
	for _, v := range w {
		if v < limit {
			n++
		}
	}
	return n
}

// medianOf returns the median of |w - centre|.
func (c *Computer) medianOf(w []float64, centre float64) float64 {
	c.window = slices.Grow(c.window[:0], len(w))[:len(w)]
	for i, v := range w {
		c.window[i] = math.Float64bits(math.Abs(v - centre))
	}
	h := len(w) / 2
	placeRank(c.window, h)
	hi := ms(c.window[h])
	if len(w)%2 == 1 {
		return hi
	}
	return (ms(slices.Max(c.window[:h])) + hi) / 2
}
