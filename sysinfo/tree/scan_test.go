package tree

import (
	"slices"
	"strings"
	"testing"
)

func FuzzScan(f *testing.F) {
	f.Add([]byte("12 (a b) c) S 1 2 3"))
	f.Add([]byte("0-15,32"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if n, ok := Unsigned(b); ok && len(b) == 1 && b[0] == '0' && n != 0 {
			t.Errorf("%q is %d", b, n)
		}
		for _, c := range CPUList(string(b)) {
			if c < 0 {
				t.Errorf("processor %d", c)
			}
		}
	})
}

// TestNatural: numbers within names order as numbers.
func TestNatural(t *testing.T) {
	names := []string{"cpu10", "cpu2", "cpu02", "cpu", "bus9"}
	slices.SortFunc(names, Natural)
	if got := strings.Join(names, " "); got != "bus9 cpu cpu2 cpu02 cpu10" && got != "bus9 cpu cpu02 cpu2 cpu10" {
		t.Errorf("%s", got)
	}
}
