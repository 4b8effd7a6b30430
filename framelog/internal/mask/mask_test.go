package mask

import (
	"bytes"
	"math/rand/v2"
	"testing"
)

// The vector and the portable masks say the same.
func TestMasksAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	alphabet := []byte("0123456789.,;\t|\n\r\" \x00\x80\xff-+e")
	for range 2000 {
		blocks := 1 + rng.IntN(9)
		b := make([]byte, blocks*Block)
		for i := range b {
			b[i] = alphabet[rng.IntN(len(alphabet))]
		}
		if rng.IntN(2) == 0 {
			b = bytes.Map(func(r rune) rune {
				if r == '"' || r == 0 {
					return '7'
				}
				return r
			}, bytes.ReplaceAll(bytes.ReplaceAll(b, []byte{0x80}, []byte{'x'}), []byte{0xff}, []byte{'y'}))
		}
		d := alphabet[rng.IntN(len(alphabet))]
		one, two := make([]uint64, 2*blocks), make([]uint64, 2*blocks)
		f, g := Write(b, blocks, d, '\n', one), portable(b, blocks, d, '\n', two)
		if (f&SomeQuote != 0) != bytes.Contains(b, []byte{'"'}) || (f&SomeNUL != 0) != bytes.Contains(b, []byte{0}) || (g&SomeQuote != 0) != (f&SomeQuote != 0) || (g&SomeNUL != 0) != (f&SomeNUL != 0) {
			t.Fatalf("found %x and %x in %q", f, g, b)
		}
		for i := range one {
			if one[i] != two[i] {
				t.Fatalf("mask %d: %x and %x in %q", i, one[i], two[i], b)
			}
		}
		for i, c := range b {
			if one[i/64*2]>>(i%64)&1 == 1 != (c == d) || one[i/64*2+1]>>(i%64)&1 == 1 != (c == '\n') {
				t.Fatalf("bit %d of %q is wrong", i, b)
			}
		}
	}
}
