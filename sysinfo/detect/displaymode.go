package detect

import (
	"encoding/binary"
	"strconv"

	"capd.example/record"
	"capd.example/sysinfo/tree"
)

// displayNow is the mode that is set on a connector.
type displayNow struct {
	width, height int
	hz            float64
}

// drmMode is struct drm_mode_modeinfo (kernel: include/uapi/drm/drm_mode.h): the pixel
// clock in kHz, then pixels and lines of the picture and of the whole with its blanking.
const (
	drmModeSize   = 68
	drmInterlaced = 1 << 4
	drmDoubled    = 1 << 5
)

// parseDRMMode returns false for a mode that shows nothing.
func parseDRMMode(b []byte) (displayNow, bool) {
	if len(b) < drmModeSize {
		return displayNow{}, false
	}
	u16 := func(at int) int { return int(binary.NativeEndian.Uint16(b[at:])) }
	khz, flags := binary.NativeEndian.Uint32(b), binary.NativeEndian.Uint32(b[28:])
	m := displayNow{width: u16(4), height: u16(14)}
	total := u16(10) * u16(20)
	if m.width == 0 || m.height == 0 || total == 0 || khz == 0 {
		return displayNow{}, false
	}
	m.hz = float64(khz) * 1000 / float64(total)
	if flags&drmInterlaced != 0 {
		m.hz *= 2
	}
	if flags&drmDoubled != 0 {
		m.hz /= 2
	}
	if scans := u16(22); scans > 1 {
		m.hz /= float64(scans)
	}
	return m, true
}

// detectMode asks the driver for the mode that is set now. A recorded machine cannot be
// asked.
func detectMode(t tree.Tree, f *facts, name, dir, card string) {
	const source = "DRM"
	var now displayNow
	id, why := t.Number(dir + "/connector_id")
	if why == "" && !t.Live() {
		why = record.Absent
	}
	if why == "" {
		now, why = connectorMode("/dev/dri/"+card, uint32(id))
	}
	mode, rate := "", ""
	if why == "" {
		mode, rate = itoa(now.width)+"x"+itoa(now.height), strconv.FormatFloat(now.hz, 'f', 2, 64)
	}
	f.maybe(name+".mode", mode, "px", source, why, false)
	f.maybe(name+".refresh", rate, "Hz", source, why, false)
}
