package nvml

import (
	"testing"

	"capd.example/record"
)

// TestReasons holds our reduction against the bits that nvml.h gives (from memory of the
// published header).
func TestReasons(t *testing.T) {
	for _, c := range []struct {
		bits uint64
		want float64
	}{
		{0, 0}, {1, 0}, {0x4, record.ThrottlePower}, {0x20, record.ThrottleThermal}, {0x40, record.ThrottleThermal | record.ThrottleHard},
		{0x80, record.ThrottleHard}, {0x8, record.ThrottleHard}, {0x100, record.ThrottleOther},
	} {
		if got := nvmlReasons(c.bits); got != c.want {
			t.Errorf("nvml %x: %g, want %g", c.bits, got, c.want)
		}
	}
}
