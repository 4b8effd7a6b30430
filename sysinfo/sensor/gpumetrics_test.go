package sensor

import (
	"testing"

	"capd.example/record"
)

// TestAMDReasons holds our reduction against the bits that the kernel's kgd_pp_interface.h gives
// (from memory of the published header).
func TestAMDReasons(t *testing.T) {
	for _, c := range []struct{ bits, want uint64 }{
		{0, 0}, {1 << 3, record.ThrottlePower}, {1 << 18, record.ThrottlePower}, {1 << 36, record.ThrottleThermal},
		{1 << 46, record.ThrottleThermal | record.ThrottleHard}, {1 << 57, record.ThrottleOther},
	} {
		if got := amdReasons(c.bits); got != c.want {
			t.Errorf("amdgpu %x: %d, want %d", c.bits, got, c.want)
		}
	}
}
