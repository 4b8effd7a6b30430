package listing

import (
	"testing"
)

func TestAmount(t *testing.T) {
	for x, want := range map[float64]string{0: "0", 0.0123456: "0.01235", 61.5: "61.50", 999.96: "1000.0", 123456.7: "123457", -3.25: "-3.250", 5: "5"} {
		if got := amount(x); got != want {
			t.Errorf("%v: %s, want %s", x, got, want)
		}
	}
}
