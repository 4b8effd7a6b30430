// Package mask finds delimiters and line ends in text, 64 bytes at a time.
package mask

import (
	"encoding/binary"
	"math/bits"
)

// Block is 64 bytes of text. Its two masks say where delimiters and line ends are, one
// bit per byte, the first byte in the lowest bit.
const Block = 64

// Found says what else is somewhere in the text.
type Found uint64

const (
	SomeQuote Found = 0x00000000ffffffff
	SomeNUL   Found = 0xffffffff00000000
)

// portable writes the delimiter mask and the line-end mask of each block to out,
// one after the other, eight bytes at a time.
func portable(b []byte, blocks int, delim, eol byte, out []uint64) Found {
	var f Found
	d, e := spread(delim), spread(eol)
	const q = 0x2222222222222222 // '"'
	for i := range blocks {
		var dm, em uint64
		for j := range 8 {
			x := binary.LittleEndian.Uint64(b[i*Block+8*j:])
			dm |= gather(x^d) << uint(8*j)
			em |= gather(x^e) << uint(8*j)
			if gather(x^q) != 0 {
				f |= SomeQuote
			}
			if gather(x) != 0 {
				f |= SomeNUL
			}
		}
		out[2*i], out[2*i+1] = dm, em
	}
	return f
}

func spread(c byte) uint64 { return uint64(c) * 0x0101010101010101 }

// gather returns one bit for each byte of x that is zero. The high bit of each byte is
// set exactly for zero bytes (no borrow crosses bytes), then moved together.
func gather(x uint64) uint64 {
	const low = 0x7f7f7f7f7f7f7f7f
	zero := ^(((x & low) + low) | x | low)
	return (zero >> 7) * 0x0102040810204080 >> 56
}

// Nth returns the position of the k-th (from 1) set bit at or after bit s of the
// delimiter masks (every second word), -1 where there is none before end.
func Nth(masks []uint64, s, k, end int) int {
	for s < end && s>>6<<1 < len(masks) {
		w := masks[s>>6<<1] >> uint(s&63)
		if n := bits.OnesCount64(w); n < k {
			k -= n
			s = s&^63 + Block
			continue
		}
		for ; k > 1; k-- {
			w &= w - 1
		}
		if p := s + bits.TrailingZeros64(w); p < end {
			return p
		}
		return -1
	}
	return -1
}
