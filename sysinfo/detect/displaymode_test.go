package detect

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"capd.example/record"
	"capd.example/sysinfo/tree"
)

// TestDRMMode: modes whose timings are published (VESA Display Monitor Timing standard
// and CTA-861, from memory): 1920x1080 at 148.5 MHz is 60 Hz, 2560x1440 with reduced
// blanking at 241.5 MHz is 59.95 Hz, 1080i at 74.25 MHz shows 60 fields.
func TestDRMMode(t *testing.T) {
	mode := func(khz uint32, across, acrossTotal, down, downTotal, scans uint16, flags uint32) []byte {
		b := make([]byte, drmModeSize)
		binary.NativeEndian.PutUint32(b, khz)
		for at, v := range map[int]uint16{4: across, 10: acrossTotal, 14: down, 20: downTotal, 22: scans} {
			binary.NativeEndian.PutUint16(b[at:], v)
		}
		binary.NativeEndian.PutUint32(b[28:], flags)
		return b
	}
	for _, c := range []struct {
		b             []byte
		width, height int
		hz            float64
	}{
		{mode(148_500, 1920, 2200, 1080, 1125, 0, 5), 1920, 1080, 60},
		{mode(241_500, 2560, 2720, 1440, 1481, 0, 9), 2560, 1440, 59.9506},
		{mode(74_250, 1920, 2200, 1080, 1125, 0, 5|drmInterlaced), 1920, 1080, 60},
		{mode(148_500, 1920, 2200, 1080, 1125, 1, drmDoubled), 1920, 1080, 30},
		{mode(148_500, 1920, 2200, 1080, 1125, 2, 0), 1920, 1080, 30},
	} {
		m, ok := parseDRMMode(c.b)
		if !ok || m.width != c.width || m.height != c.height || m.hz < c.hz-1e-3 || m.hz > c.hz+1e-3 {
			t.Errorf("%+v %v, want %+v", m, ok, c)
		}
	}
	for _, b := range [][]byte{nil, make([]byte, drmModeSize), mode(1, 1, 0, 1, 1, 0, 0), mode(0, 1, 1, 1, 1, 0, 0), mode(1, 1, 1, 1, 1, 0, 0)[:67]} {
		if m, ok := parseDRMMode(b); ok {
			t.Errorf("%v is a mode: %+v", b, m)
		}
	}
}

// TestModeOfNoDevice: without a device, or with something else in its place, the field
// says why.
func TestModeOfNoDevice(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("devices are Linux's")
	}
	if _, why := connectorMode(filepath.Join(t.TempDir(), "card0"), 7); why != record.Absent {
		t.Errorf("no device: %q", why)
	}
	file := filepath.Join(t.TempDir(), "card0")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, why := connectorMode(file, 7); why == "" {
		t.Error("a plain file has a mode")
	}
}

// TestModeHere: the mode of each connected monitor of this machine is a number or says
// why it is none.
func TestModeHere(t *testing.T) {
	var f facts
	detectDisplays(tree.New(""), &f)
	for _, x := range f.list {
		t.Logf("%s = %q %s %s", x.Name, x.Value, x.Unit, x.Unknown)
		if (x.Value == "") == (x.Unknown == "") {
			t.Errorf("%+v", x)
		}
	}
}
