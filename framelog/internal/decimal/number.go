// Package decimal reads decimal numbers and time stamps from text without rounding twice.
package decimal

import (
	"encoding/binary"
	"math"
	"math/bits"
	"strconv"
	"strings"
	"unsafe"
)

// Pad is how many bytes past the text must be readable for [Scan].
const Pad = 16

// Pow10 holds the powers of ten that a double holds exactly.
var Pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
	1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

var pow10u = [...]uint64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
	1e17, 1e18, 1e19}

// digits8 returns how many of the eight characters in x (first character in the lowest
// byte) are digits before the first other one, and their value. It works on all eight
// at once: a byte less '0' is above 9 exactly where adding 0x76 sets its high bit, and
// pairs, fours and eights are joined by three multiplications (a well-known method, see
// D. Lemire, "Number parsing at a gigabyte per second", Software: Practice and
// Experience 51, 2021, section on eight digits).
func digits8(x uint64) (n int, value uint64) {
	t := x ^ 0x3030303030303030
	m := ((t + 0x7676767676767676) | t) & 0x8080808080808080
	n = bits.TrailingZeros64(m) >> 3 // 8 where m is 0
	t <<= uint(8-n) << 3
	t = t*10 + t>>8
	value = ((t&0x000000FF000000FF)*0x000F424000000064 + (t>>16&0x000000FF000000FF)*0x0000271000000001) >> 32
	return n, value
}

// Scan reads digits with an optional fraction at b[i:]: the value is
// mant / 10^frac and b[end] is the first byte after it. end is -1 where the text is not
// of this simple form or has more than 19 digits; the caller then takes the slow road.
// b must have [Pad] readable bytes after the text.
func Scan(b []byte, i int, point byte) (mant uint64, frac, end int) {
	// Nearly all frame times have up to seven digits on either side of the point. The
	// two halves are independent of each other, which the processor makes use of.
	n, whole := digits8(binary.LittleEndian.Uint64(b[i:]))
	if uint(n-1) < 7 && b[i+n] == point {
		k, part := digits8(binary.LittleEndian.Uint64(b[i+n+1:]))
		if uint(k-1) < 7 {
			return whole*pow10u[k] + part, k, i + n + 1 + k
		}
	}
	return longDecimal(b, i, point)
}

// longDecimal is Scan for numbers of any length up to 19 digits.
func longDecimal(b []byte, i int, point byte) (mant uint64, frac, end int) {
	n, mant := digits8(binary.LittleEndian.Uint64(b[i:]))
	if n == 0 {
		return 0, 0, -1
	}
	i += n
	digits := n
	for n == 8 {
		if digits > 19 {
			return 0, 0, -1
		}
		var v uint64
		n, v = digits8(binary.LittleEndian.Uint64(b[i:]))
		mant = mant*pow10u[n] + v
		i += n
		digits += n
	}
	if b[i] == point {
		i++
		var v uint64
		n, v = digits8(binary.LittleEndian.Uint64(b[i:]))
		if n == 0 {
			return 0, 0, -1
		}
		mant = mant*pow10u[n] + v
		i += n
		frac = n
		for n == 8 {
			if digits+frac > 19 {
				return 0, 0, -1
			}
			n, v = digits8(binary.LittleEndian.Uint64(b[i:]))
			mant = mant*pow10u[n] + v
			i += n
			frac += n
		}
	}
	if digits+frac > 19 {
		return 0, 0, -1
	}
	return mant, frac, i
}

// scaled returns mant / 10^dec correctly rounded to the nearest double, ties to even.
func Scaled(mant uint64, dec int) float64 {
	switch {
	case mant < 1<<53 && dec >= 0 && dec <= 22:
		return float64(mant) / Pow10[dec] // both exact, one rounding (Clinger 1990)
	case mant < 1<<53 && dec < 0 && dec >= -22:
		return float64(mant) * Pow10[-dec]
	case dec >= 0 && dec <= 19:
		return divided(mant, dec)
	}
	var buf [32]byte
	s := strconv.AppendUint(buf[:0], mant, 10)
	s = append(s, 'e')
	s = strconv.AppendInt(s, -int64(dec), 10)
	return parseFloat(s)
}

// divided returns mant / 10^dec, 0 <= dec <= 19, by one exact division of 128 by 64
// bits: the quotient has 64 bits and the remainder says whether anything is left below,
// so that rounding to 53 bits is exact.
func divided(mant uint64, dec int) float64 {
	if mant == 0 {
		return 0
	}
	d := pow10u[dec]
	s1, s2 := bits.LeadingZeros64(mant), bits.LeadingZeros64(d)
	m := mant << uint(s1)
	d <<= uint(s2)
	exp := s2 - s1 - 64
	hi, lo := m, uint64(0)
	if m >= d {
		hi, lo = m>>1, m<<63
		exp++
	}
	q, r := bits.Div64(hi, lo, d)
	low := q & 0x7ff
	top := q >> 11
	if low > 0x400 || low == 0x400 && (r != 0 || top&1 == 1) {
		top++ // may become 2^53, which is exact as well
	}
	return math.Ldexp(float64(top), exp+11)
}

// parseFloat is strconv's reading of text that is known to be a number; values beyond
// the range are infinite.
func parseFloat(s []byte) float64 {
	f, _ := strconv.ParseFloat(unsafe.String(unsafe.SliceData(s), len(s)), 64)
	return f
}

// Class says what a cell holds.
type Class int

const (
	IsNumber Class = iota
	IsEmpty
	IsNonFinite
	IsText
)

// Number is a decimal as written: mant * 10^-frac, or text where it has more than 19
// significant digits.
type Number struct {
	Mant uint64
	Frac int // may be negative after an exponent
	Neg  bool
	Long []byte // digits and exponent in strconv's form, without sign, where mant cannot hold them
}

// in returns the number times 10^-shift, correctly rounded.
func (n Number) In(shift int) float64 {
	var f float64
	if n.Long != nil {
		f = longFloat(n.Long, shift)
	} else {
		f = Scaled(n.Mant, n.Frac+shift)
	}
	if n.Neg {
		return -f
	}
	return f
}

// longFloat changes the exponent in the text, so that there is one rounding only.
func longFloat(text []byte, shift int) float64 {
	exp := 0
	for i, c := range text {
		if c == 'e' || c == 'E' {
			exp, _ = strconv.Atoi(string(text[i+1:]))
			text = text[:i]
			break
		}
	}
	s := append(make([]byte, 0, len(text)+8), text...)
	s = append(s, 'e')
	s = strconv.AppendInt(s, int64(exp-shift), 10)
	return parseFloat(s)
}

// Parse reads a whole cell: optional blanks and sign, digits with an optional
// fraction after point, optional exponent.
func Parse(b []byte, point byte) (n Number, c Class) {
	b = TrimBlank(b)
	if len(b) == 0 {
		return n, IsEmpty
	}
	i := 0
	if b[0] == '-' || b[0] == '+' {
		n.Neg = b[0] == '-'
		i++
	}
	start := i
	i, digits, significant := n.digits(b, i, point)
	if digits == 0 {
		if nonFinite(b[start:]) {
			return n, IsNonFinite
		}
		return n, IsText
	}
	exp, rest := 0, b[i:]
	if len(rest) > 0 {
		ok := rest[0] == 'e' || rest[0] == 'E'
		if ok {
			exp, ok = parseExponent(rest[1:])
		}
		if !ok {
			return n, IsText
		}
	}
	if significant > 19 {
		s := append(make([]byte, 0, i-start+8), b[start:i]...)
		for j := range s {
			if s[j] == point {
				s[j] = '.'
			}
		}
		n.Long = strconv.AppendInt(append(s, 'e'), int64(exp), 10)
	}
	n.Frac -= exp
	return n, IsNumber
}

// digits reads digits with an optional fraction from b[i:] and returns where they end, how
// many they are, and how many from the first that is not 0.
func (n *Number) digits(b []byte, i int, point byte) (end, digits, significant int) {
	seenPoint := false
	for ; i < len(b); i++ {
		c := b[i]
		if c == point && !seenPoint {
			seenPoint = true
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		digits++
		if significant > 0 || c != '0' {
			significant++
		}
		if significant <= 19 {
			n.Mant = n.Mant*10 + uint64(c-'0')
		}
		if seenPoint {
			n.Frac++
		}
	}
	return i, digits, significant
}

// parseExponent reads a signed exponent; one that is beyond all doubles is clamped.
func parseExponent(b []byte) (int, bool) {
	neg := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		neg = b[0] == '-'
		b = b[1:]
	}
	if len(b) == 0 {
		return 0, false
	}
	e := 0
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		if e < 1_000_000 {
			e = e*10 + int(c-'0')
		}
	}
	if neg {
		e = -e
	}
	return e, true
}

func nonFinite(b []byte) bool {
	if len(b) > 12 {
		return false
	}
	switch strings.ToLower(string(b)) {
	case "nan", "inf", "infinity", "1.#inf", "1.#ind", "1.#qnan", "n/a", "na", "null", "-nan(ind)", "nan(ind)", "∞":
		return true
	}
	return false
}

func TrimBlank(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}
