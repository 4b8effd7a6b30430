package metrics

import (
	"math"
	"math/bits"
)

// sum adds frame times without error. Where scale is positive every addend is a whole
// number of 1/scale ms and ticks holds their sum; else wide does.
type sum struct {
	scale float64
	ticks uint64
	wide  superaccumulator
}

// newSum returns an empty sum for n frame times of at most longest ms, on a grid of
// 10^-decimals ms where decimals is not negative.
func newSum(n, decimals int, longest float64) sum {
	if decimals < 0 || decimals > 15 {
		return sum{}
	}
	scale := math.Pow10(decimals)
	// Above 2^50 a tick would no longer be told from its neighbour in the double.
	if longest*scale >= 1<<50 || float64(n)*longest*scale >= 1<<62 {
		return sum{}
	}
	return sum{scale: scale}
}

func (s *sum) add(x float64) {
	if s.scale > 0 {
		s.ticks += uint64(int64(x*s.scale + 0.5))
		return
	}
	s.wide.add(x)
}

func (s *sum) addAll(xs []float64) {
	if s.scale == 0 {
		for _, x := range xs {
			s.wide.add(x)
		}
		return
	}
	var total int64
	for _, x := range xs {
		total += int64(x*s.scale + 0.5)
	}
	s.ticks += uint64(total)
}

// ms returns the sum in ms, rounded once.
func (s *sum) ms() float64 {
	if s.scale > 0 {
		return float64(s.ticks) / s.scale
	}
	return s.wide.value()
}

// reaches reports whether m times s is at least total.
func (s *sum) reaches(total *sum, m uint64) bool {
	if s.scale > 0 {
		hi, lo := bits.Mul64(s.ticks, m)
		return hi > 0 || lo >= total.ticks
	}
	return s.wide.reaches(&total.wide, m)
}

// superaccumulator holds an exact sum of up to 2^31 doubles from 0 to 2^40 as a number
// of base 2^32 whose digits may run over until they are carried. Digit 0 counts
// multiples of 2^-1074, the smallest double.
type superaccumulator struct {
	digits [(1074 + 40 + 32 + 96) / 32]uint64
}

func (a *superaccumulator) add(x float64) {
	key := math.Float64bits(x)
	exp := key >> 52
	frac := key & (1<<52 - 1)
	if exp > 0 {
		frac |= 1 << 52
		exp--
	}
	d := a.digits[exp/32:]
	lo, hi := frac<<(exp%32), frac>>1>>(63-exp%32)
	d[0] += lo & math.MaxUint32
	d[1] += lo >> 32
	d[2] += hi
}

// carried returns the digits of m times the sum, each below 2^32.
func (a *superaccumulator) carried(m uint64) superaccumulator {
	var out superaccumulator
	var carry uint64
	for i, d := range a.digits {
		// d < 2^63 and m is small: form the product in 128 bits.
		hi, lo := bits.Mul64(d, m)
		lo, c := bits.Add64(lo, carry, 0)
		out.digits[i] = lo & math.MaxUint32
		carry = (hi+c)<<32 | lo>>32
	}
	return out
}

func (a *superaccumulator) reaches(total *superaccumulator, m uint64) bool {
	x, y := a.carried(m), total.carried(1)
	for i := len(x.digits) - 1; i >= 0; i-- {
		if x.digits[i] != y.digits[i] {
			return x.digits[i] > y.digits[i]
		}
	}
	return true
}

// value returns the double nearest to the sum, ties to even.
func (a *superaccumulator) value() float64 {
	c := a.carried(1)
	top := len(c.digits) - 1
	for top > 1 && c.digits[top] == 0 {
		top--
	}
	if top == 1 {
		// At most 64 bits of the smallest doubles: the conversion rounds once, and the
		// scaling is exact or the value is below the normal doubles and already whole.
		return math.Ldexp(float64(c.digits[1]<<32|c.digits[0]), -1074)
	}
	// The leading 64 bits hold more than a double's 53; whatever is below them only
	// matters as more than nothing.
	lead := bits.LeadingZeros32(uint32(c.digits[top]))
	v := c.digits[top]<<32 | c.digits[top-1]
	v = v<<lead | c.digits[top-2]>>(32-lead)
	rest := c.digits[top-2] << (32 + lead)
	for i := top - 3; i >= 0; i-- {
		rest |= c.digits[i]
	}
	if rest != 0 {
		v |= 1
	}
	return math.Ldexp(float64(v), 32*(top-1)-lead-1074)
}
