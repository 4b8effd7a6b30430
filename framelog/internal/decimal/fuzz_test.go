package decimal

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

// Whatever strconv reads as a plain decimal we read to the same bits, and nothing else.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1", "16.6667", "0.016666667", "1e3", "1795588296129000007", "123456789012345678901234567890.5", "-0", "1e400", "9007199254740993", "4.9e-324", "00.10"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		want, err := strconv.ParseFloat(s, 64)
		plain := s != "" && len(s) < 2000 && strings.Trim(s, "0123456789+-.eE") == "" && (err == nil || math.IsInf(want, 0))
		got, ok := readNumber(s, 0)
		if !plain {
			if ok && strings.Trim(s, " \t") == s && err != nil && !math.IsInf(want, 0) {
				t.Fatalf("%q was read as %v, strconv says %v", s, got, err)
			}
			return
		}
		if !ok || math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%q was read as %b (%v), strconv says %b", s, got, ok, want)
		}
	})
}
