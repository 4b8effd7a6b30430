package framelog

import "math/bits"

// stamp is a time stamp as written, without rounding: a whole number of 10^-frac of its
// unit in 128 bits, two's complement.
type stamp struct {
	hi, lo uint64
	frac   int
	bad    bool // beyond 38 digits
}

// stampOf turns a parsed cell into a stamp.
func stampOf(n number) stamp {
	s := stamp{lo: n.mant, frac: n.frac}
	if n.long != nil {
		s = longStamp(n.long)
	}
	for ; s.frac < 0; s.frac++ {
		s = s.times10()
	}
	if n.neg {
		s.lo, s.hi = negate(s.lo, s.hi)
	}
	return s
}

func negate(lo, hi uint64) (uint64, uint64) {
	lo, borrow := bits.Sub64(0, lo, 0)
	hi, _ = bits.Sub64(0, hi, borrow)
	return lo, hi
}

func (s stamp) times10() stamp {
	neg := s.hi>>63 == 1
	if neg {
		s.lo, s.hi = negate(s.lo, s.hi)
	}
	carry, lo := bits.Mul64(s.lo, 10)
	over, hi := bits.Mul64(s.hi, 10)
	hi, c := bits.Add64(hi, carry, 0)
	s.bad = s.bad || over != 0 || c != 0 || hi>>63 != 0
	s.lo, s.hi = lo, hi
	if neg {
		s.lo, s.hi = negate(s.lo, s.hi)
	}
	return s
}

// longStamp reads digits with a fraction and an exponent of more than 19 digits.
func longStamp(text []byte) stamp {
	var s stamp
	point := false
	for i, c := range text {
		switch {
		case c == '.':
			point = true
		case c == 'e':
			e, _ := parseExponent(text[i+1:])
			s.frac -= e
			if e > 40 {
				s.bad = true
				s.frac = max(s.frac, 0)
			}
			return s
		default:
			frac := s.frac
			s = s.times10()
			var carry uint64
			s.lo, carry = bits.Add64(s.lo, uint64(c-'0'), 0)
			s.hi += carry
			if s.frac = frac; point {
				s.frac++
			}
			if s.bad {
				return s
			}
		}
	}
	return s
}

// between returns the time from a to b in ms, correctly rounded, and the number of
// decimals of the grid it lies on. ok is false where it cannot be told exactly.
func between(a, b stamp, shift int) (ms float64, dec int, ok bool) {
	if a.hi|b.hi == 0 && a.frac == b.frac && !a.bad && !b.bad {
		dec = a.frac + shift
		if b.lo >= a.lo {
			return scaled(b.lo-a.lo, dec), dec, true
		}
		return -scaled(a.lo-b.lo, dec), dec, true
	}
	for a.frac < b.frac && !a.bad {
		a = a.times10()
		a.frac++
	}
	for b.frac < a.frac && !b.bad {
		b = b.times10()
		b.frac++
	}
	if a.bad || b.bad {
		return 0, 0, false
	}
	lo, borrow := bits.Sub64(b.lo, a.lo, 0)
	hi, _ := bits.Sub64(b.hi, a.hi, borrow)
	neg := hi>>63 == 1
	if neg {
		lo, hi = negate(lo, hi)
	}
	if hi != 0 {
		return 0, 0, false
	}
	dec = a.frac + shift
	ms = scaled(lo, dec)
	if neg {
		ms = -ms
	}
	return ms, dec, true
}

// seconds returns the stamp as a double of its unit, for people and for wall clocks.
func (s stamp) value() float64 {
	neg := s.hi>>63 == 1
	if neg {
		s.lo, s.hi = negate(s.lo, s.hi)
	}
	v := (float64(s.hi)*(1<<32)*(1<<32) + float64(s.lo))
	if s.frac >= 0 && s.frac <= 22 {
		v /= pow10f[s.frac]
	}
	if neg {
		return -v
	}
	return v
}
