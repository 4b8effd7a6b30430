package sysinfo

import (
	"context"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"

	"capd.example/record"
)

// monitor builds the base block of an invented monitor: a timing of across by down pixels
// within totals, a range of rates and a name.
func monitor(kHz, across, acrossTotal, down, downTotal int, interlaced bool, limits [3]byte, name string) []byte {
	b := make([]byte, edidBlock)
	copy(b, []byte{0, 255, 255, 255, 255, 255, 255, 0})
	copy(b[12:], []byte{0xde, 0xad, 0xbe, 0xef}) // a serial number, not to be read
	d := b[54:]
	binary.LittleEndian.PutUint16(d, uint16(kHz/10))
	blank, downBlank := acrossTotal-across, downTotal-down
	d[2], d[3], d[4] = byte(across), byte(blank), byte(across>>8<<4|blank>>8)
	d[5], d[6], d[7] = byte(down), byte(downBlank), byte(down>>8<<4|downBlank>>8)
	if interlaced {
		d[17] = 0x80
	}
	copy(b[72:], []byte{0, 0, 0, 0xfd, limits[0], limits[1], limits[2]})
	copy(b[90:], append([]byte{0, 0, 0, 0xfc, 0}, (name + "\n            ")[:13]...))
	copy(b[108:], append([]byte{0, 0, 0, 0xff, 0}, "SERIAL1234567"...))
	sealed(b)
	return b
}

func sealed(b []byte) {
	b[127] = 0
	sum := byte(0)
	for _, x := range b[:127] {
		sum += x
	}
	b[127] = -sum
}

// TestEDID: timings and rates of VESA's Display Monitor Timing standard (1920 x 1080 at
// 60 Hz) and of CVT with reduced blanking (2560 x 1440 at 59.951 Hz), and 1080i of CTA-861
// at 60 fields; all three from memory.
func TestEDID(t *testing.T) {
	for _, c := range []struct {
		b    []byte
		want edid
	}{
		{monitor(148_500, 1920, 2200, 1080, 1125, false, [3]byte{0, 48, 75}, "Heron 24"), edid{"Heron 24", 1920, 1080, 60, false, 48, 75}},
		{monitor(241_500, 2560, 2720, 1440, 1481, false, [3]byte{2, 48, 20}, "Heron 27 wide"), edid{"Heron 27 wide", 2560, 1440, 59.951, false, 48, 275}},
		{monitor(74_250, 1920, 2200, 540, 562, true, [3]byte{3, 1, 5}, ""), edid{"", 1920, 1080, 60.053, true, 256, 260}},
		{monitor(0, 0, 0, 0, 0, false, [3]byte{}, "Old"), edid{name: "Old"}},
	} {
		got, err := parseEDID(c.b)
		near := math.Abs(got.refresh-c.want.refresh) < 0.001
		got.refresh = c.want.refresh
		if err != nil || !near || got != c.want {
			t.Errorf("%+v, %v, want %+v", got, err, c.want)
		}
	}
	good := monitor(148_500, 1920, 2200, 1080, 1125, false, [3]byte{}, "Heron")
	wrong := append([]byte{}, good...)
	wrong[60]++
	for name, b := range map[string][]byte{"empty": nil, "cut": good[:127], "checksum": wrong, "rubbish": make([]byte, 256)} {
		if _, err := parseEDID(b); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

// TestMonitorOfAMachine: the fields of a connected monitor, and why they are unknown.
func TestMonitorOfAMachine(t *testing.T) {
	for name, c := range map[string]struct {
		data []byte
		want record.Field
	}{
		"known":  {monitor(241_500, 2560, 2720, 1440, 1481, false, [3]byte{0, 48, 165}, "Heron"), record.Field{Value: "59.95", Unit: "Hz"}},
		"empty":  {[]byte{}, record.Field{Unknown: record.Absent}},
		"broken": {[]byte("what is this"), record.Field{Unknown: record.Broken}},
	} {
		t.Run(name, func(t *testing.T) {
			root := unpack(t, "testdata/desktop-a/machine.txtar")
			if err := os.WriteFile(filepath.Join(root, "sys/class/drm/card1-DP-1/edid"), c.data, 0o644); err != nil {
				t.Fatal(err)
			}
			var f record.Field
			for _, f = range New(Options{Root: root}).Detect(context.Background()).Fields {
				if f.Name == "display.0.preferred_refresh" {
					break
				}
			}
			if f.Name != "display.0.preferred_refresh" || f.Value != c.want.Value || f.Unit != c.want.Unit || f.Unknown != c.want.Unknown {
				t.Errorf("%+v, want %+v", f, c.want)
			}
		})
	}
}

// FuzzEDID: whatever a monitor sends, a mode has a size and a rate or neither, rates are in
// order and the name is one line.
func FuzzEDID(f *testing.F) {
	f.Add(monitor(148_500, 1920, 2200, 1080, 1125, false, [3]byte{0, 48, 75}, "Heron 24"))
	f.Add(monitor(74_250, 1920, 2200, 540, 562, true, [3]byte{3, 1, 5}, "x"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) >= edidBlock {
			b = append([]byte{}, b...)
			sealed(b)
		}
		e, err := parseEDID(b)
		if err != nil {
			if e != (edid{}) {
				t.Fatalf("%+v beside %v", e, err)
			}
			return
		}
		if (e.width > 0) != (e.height > 0) || (e.width > 0) != (e.refresh > 0) || e.minHz > e.maxHz || math.IsInf(e.refresh, 0) || clean(e.name) != e.name {
			t.Fatalf("%+v", e)
		}
	})
}
