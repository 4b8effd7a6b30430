package firmware

import (
	"math"
	"testing"

	"capd.example/internal/text"
	"capd.example/sysinfo/machinetest"
)

// TestEDID: timings and rates of VESA's Display Monitor Timing standard (1920 x 1080 at
// 60 Hz) and of CVT with reduced blanking (2560 x 1440 at 59.951 Hz), and 1080i of CTA-861
// at 60 fields; all three from memory.
func TestEDID(t *testing.T) {
	for _, c := range []struct {
		b    []byte
		want EDID
	}{
		{machinetest.Monitor(148_500, 1920, 2200, 1080, 1125, false, [3]byte{0, 48, 75}, "Heron 24"), EDID{"Heron 24", 1920, 1080, 60, false, 48, 75}},
		{machinetest.Monitor(241_500, 2560, 2720, 1440, 1481, false, [3]byte{2, 48, 20}, "Heron 27 wide"), EDID{"Heron 27 wide", 2560, 1440, 59.951, false, 48, 275}},
		{machinetest.Monitor(74_250, 1920, 2200, 540, 562, true, [3]byte{3, 1, 5}, ""), EDID{"", 1920, 1080, 60.053, true, 256, 260}},
		{machinetest.Monitor(0, 0, 0, 0, 0, false, [3]byte{}, "Old"), EDID{Name: "Old"}},
	} {
		got, err := ParseEDID(c.b)
		near := math.Abs(got.Refresh-c.want.Refresh) < 0.001
		got.Refresh = c.want.Refresh
		if err != nil || !near || got != c.want {
			t.Errorf("%+v, %v, want %+v", got, err, c.want)
		}
	}
	good := machinetest.Monitor(148_500, 1920, 2200, 1080, 1125, false, [3]byte{}, "Heron")
	wrong := append([]byte{}, good...)
	wrong[60]++
	for name, b := range map[string][]byte{"empty": nil, "cut": good[:127], "checksum": wrong, "rubbish": make([]byte, 256)} {
		if _, err := ParseEDID(b); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

// FuzzEDID: whatever a monitor sends, a mode has a size and a rate or neither, rates are in
// order and the name is one line.
func FuzzEDID(f *testing.F) {
	f.Add(machinetest.Monitor(148_500, 1920, 2200, 1080, 1125, false, [3]byte{0, 48, 75}, "Heron 24"))
	f.Add(machinetest.Monitor(74_250, 1920, 2200, 540, 562, true, [3]byte{3, 1, 5}, "x"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) >= edidBlock {
			b = append([]byte{}, b...)
			machinetest.SealMonitor(b)
		}
		e, err := ParseEDID(b)
		if err != nil {
			if e != (EDID{}) {
				t.Fatalf("%+v beside %v", e, err)
			}
			return
		}
		if (e.width > 0) != (e.height > 0) || (e.width > 0) != (e.Refresh > 0) || e.MinHz > e.MaxHz || math.IsInf(e.Refresh, 0) || text.Reported(e.Name) != e.Name {
			t.Fatalf("%+v", e)
		}
	})
}
