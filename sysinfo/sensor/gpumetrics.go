package sensor

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"capd.example/record"
)

var (
	errMetricsShort  = errors.New("gpu_metrics is cut off")
	errMetricsSilent = errors.New("gpu_metrics does not tell reasons")
)

// amdThrottle returns the reasons, as bits of record.Throttle..., that the table
// gpu_metrics of the amdgpu driver tells (kernel: drivers/gpu/drm/amd/include/
// kgd_pp_interface.h): a heading of size (16 bits), format and content revision, then a
// layout per revision. indep_throttle_status, whose bits are the same for all chips,
// stands at 112 in revision 1.3 (cards) and at 120 in 2.2 to 2.4 (processors with
// graphics). Other revisions are refused by name.
func amdThrottle(b []byte) (uint64, error) {
	if len(b) < 4 {
		return 0, errMetricsShort
	}
	size := int(binary.LittleEndian.Uint16(b))
	at := 0
	switch format, content := b[2], b[3]; {
	case format == 1 && content == 3:
		at = 112
	case format == 2 && content >= 2 && content <= 4:
		at = 120
	default:
		return 0, fmt.Errorf("gpu_metrics revision %d.%d is not known", format, content)
	}
	if size > len(b) || size < at+8 {
		return 0, errMetricsShort
	}
	bits := binary.LittleEndian.Uint64(b[at:])
	if bits == math.MaxUint64 {
		return 0, errMetricsSilent
	}
	return amdReasons(bits), nil
}

// amdReasons reduces indep_throttle_status: bits 0-7 power, 16-23 current, 32-47
// temperature, 56 and 57 others.
func amdReasons(bits uint64) (mask uint64) {
	const (
		power       = 0xFF | 0xFF<<16
		temperature = 0xFFFF << 32
		prochot     = 3 << 46 // of processor and graphics: the hardware pulls the brake
		other       = 0xFF << 56
	)
	for _, q := range []struct{ bits, to uint64 }{
		{power, record.ThrottlePower}, {temperature, record.ThrottleThermal},
		{prochot, record.ThrottleHard}, {other, record.ThrottleOther},
	} {
		if bits&q.bits != 0 {
			mask |= q.to
		}
	}
	return mask
}
