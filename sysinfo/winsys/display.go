package winsys

import (
	"encoding/binary"
	"math"
)

// Sizes and offsets of DISPLAYCONFIG_PATH_INFO and DISPLAYCONFIG_MODE_INFO (wingdi.h).
const (
	displayPathSize   = 72
	pathSourceMode    = 12 // number of the mode of what is drawn
	pathRate          = 48 // refresh rate: two numbers to divide
	displayModeSize   = 64
	modeWidth         = 16 // of what is drawn; height and place follow
	modeHeight        = 20
	modePlace         = 28
	modeKindSource    = 1
	displayConfigHead = 8
)

// RefreshRate returns the exact refresh rate, in Hz, of the screen at the desktop's origin, which
// is the main one, from the answer to [DisplayConfig]; false where that has none of that size.
func RefreshRate(b []byte, width, height int) (hz float64, ok bool) {
	if len(b) < displayConfigHead {
		return 0, false
	}
	u := binary.LittleEndian.Uint32
	paths, modes, rest := uint64(u(b)), uint64(u(b[4:])), b[displayConfigHead:]
	if paths > 64 || modes > 256 || uint64(len(rest)) < paths*displayPathSize+modes*displayModeSize {
		return 0, false
	}
	for p := range paths {
		path := rest[p*displayPathSize:]
		number := uint64(u(path[pathSourceMode:]))
		if number >= modes {
			continue
		}
		mode := rest[paths*displayPathSize+number*displayModeSize:]
		if u(mode) != modeKindSource || int(u(mode[modeWidth:])) != width || int(u(mode[modeHeight:])) != height ||
			u(mode[modePlace:]) != 0 || u(mode[modePlace+4:]) != 0 {
			continue
		}
		hz = float64(u(path[pathRate:])) / float64(u(path[pathRate+4:]))
		return hz, hz >= 1 && hz < 10_000 && !math.IsNaN(hz)
	}
	return 0, false
}
