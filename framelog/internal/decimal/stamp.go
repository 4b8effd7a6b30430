package decimal

import "math/bits"

// Stamp is a time stamp as written, without rounding: a whole number of 10^-frac of its
// unit in 128 bits, two's complement.
type Stamp struct {
	Hi, Lo uint64
	Frac   int
	Bad    bool // beyond 38 digits
}

// StampOf turns a parsed cell into a stamp.
func StampOf(n Number) Stamp {
	s := Stamp{Lo: n.Mant, Frac: n.Frac}
	if n.Long != nil {
		s = longStamp(n.Long)
	}
	for ; s.Frac < 0; s.Frac++ {
		s = s.times10()
	}
	if n.Neg {
		s.Lo, s.Hi = negate(s.Lo, s.Hi)
	}
	return s
}

func negate(lo, hi uint64) (uint64, uint64) {
	lo, borrow := bits.Sub64(0, lo, 0)
	hi, _ = bits.Sub64(0, hi, borrow)
	return lo, hi
}

func (s Stamp) times10() Stamp {
	neg := s.Hi>>63 == 1
	if neg {
		s.Lo, s.Hi = negate(s.Lo, s.Hi)
	}
	carry, lo := bits.Mul64(s.Lo, 10)
	over, hi := bits.Mul64(s.Hi, 10)
	hi, c := bits.Add64(hi, carry, 0)
	s.Bad = s.Bad || over != 0 || c != 0 || hi>>63 != 0
	s.Lo, s.Hi = lo, hi
	if neg {
		s.Lo, s.Hi = negate(s.Lo, s.Hi)
	}
	return s
}

// longStamp reads digits with a fraction and an exponent of more than 19 digits.
func longStamp(text []byte) Stamp {
	var s Stamp
	point := false
	for i, c := range text {
		switch {
		case c == '.':
			point = true
		case c == 'e':
			e, _ := parseExponent(text[i+1:])
			s.Frac -= e
			if e > 40 {
				s.Bad = true
				s.Frac = max(s.Frac, 0)
			}
			return s
		default:
			frac := s.Frac
			s = s.times10()
			var carry uint64
			s.Lo, carry = bits.Add64(s.Lo, uint64(c-'0'), 0)
			s.Hi += carry
			if s.Frac = frac; point {
				s.Frac++
			}
			if s.Bad {
				return s
			}
		}
	}
	return s
}

// between returns the time from a to b in ms, correctly rounded, and the number of
// decimals of the grid it lies on. ok is false where it cannot be told exactly.
func Between(a, b Stamp, shift int) (ms float64, dec int, ok bool) {
	if a.Hi|b.Hi == 0 && a.Frac == b.Frac && !a.Bad && !b.Bad {
		dec = a.Frac + shift
		if b.Lo >= a.Lo {
			return Scaled(b.Lo-a.Lo, dec), dec, true
		}
		return -Scaled(a.Lo-b.Lo, dec), dec, true
	}
	for a.Frac < b.Frac && !a.Bad {
		a = a.times10()
		a.Frac++
	}
	for b.Frac < a.Frac && !b.Bad {
		b = b.times10()
		b.Frac++
	}
	if a.Bad || b.Bad {
		return 0, 0, false
	}
	lo, borrow := bits.Sub64(b.Lo, a.Lo, 0)
	hi, _ := bits.Sub64(b.Hi, a.Hi, borrow)
	neg := hi>>63 == 1
	if neg {
		lo, hi = negate(lo, hi)
	}
	if hi != 0 {
		return 0, 0, false
	}
	dec = a.Frac + shift
	ms = Scaled(lo, dec)
	if neg {
		ms = -ms
	}
	return ms, dec, true
}

// Value returns the stamp as a double of its unit, for people and for wall clocks.
func (s Stamp) Value() float64 {
	neg := s.Hi>>63 == 1
	if neg {
		s.Lo, s.Hi = negate(s.Lo, s.Hi)
	}
	v := (float64(s.Hi)*(1<<32)*(1<<32) + float64(s.Lo))
	if s.Frac >= 0 && s.Frac <= 22 {
		v /= Pow10[s.Frac]
	}
	if neg {
		return -v
	}
	return v
}
