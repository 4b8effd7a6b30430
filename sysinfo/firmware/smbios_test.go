package firmware

import (
	"encoding/binary"
	"reflect"
	"strings"
	"testing"

	safe "capd.example/internal/text"
)

// structure builds one structure of a table as DSP0134 lays it out: type, length, handle,
// formatted area, texts.
func structure(kind byte, length int, set map[int]any, texts ...string) []byte {
	b := make([]byte, length)
	b[0], b[1] = kind, byte(length)
	for at, v := range set {
		switch x := v.(type) {
		case int:
			b[at] = byte(x)
		case uint16:
			binary.LittleEndian.PutUint16(b[at:], x)
		case uint32:
			binary.LittleEndian.PutUint32(b[at:], x)
		}
	}
	for _, s := range texts {
		b = append(append(b, s...), 0)
	}
	if len(texts) == 0 {
		b = append(b, 0)
	}
	return append(b, 0)
}

// sampleTable is a bench with two modules of DDR5 in four slots, at the offsets that
// DSP0134 gives for types 0, 1, 2, 4, 16 and 17.
func sampleTable() []byte {
	var t []byte
	add := func(b []byte) { t = append(t, b...) }
	add(structure(0, 0x18, map[int]any{4: 1, 5: 2, 8: 3}, "Halden", "2.14", "03/11/2026"))
	add(structure(1, 0x1B, map[int]any{4: 1, 5: 2, 7: 3}, "Halden", "Bench 1", "SERIAL-123"))
	add(structure(2, 0x0F, map[int]any{4: 1, 5: 2, 7: 3}, "Halden Boards", "HX-870", "SERIAL-456"))
	add(structure(4, 0x30, map[int]any{0x10: 1, 0x16: uint16(4300), 0x18: 0x41, 0x23: 0xFF, 0x25: 16, 0x2A: uint16(300)}, "Corvane C7"))
	add(structure(4, 0x30, map[int]any{0x10: 1, 0x18: 0x00}, "empty socket"))
	add(structure(16, 0x17, map[int]any{5: 3, 0x0D: uint16(4)}))
	add(structure(17, 0x5C, map[int]any{0x0C: uint16(0x7FFF), 0x10: 1, 0x12: 0x22, 0x15: uint16(0xFFFF), 0x17: 2, 0x18: 3, 0x1A: 4, 0x1B: 0x12,
		0x1C: uint32(49152), 0x20: uint16(4800), 0x26: uint16(1250), 0x54: uint32(70000)}, "DIMM A2", "Merrow", "SERIAL-789", "MR5-48"))
	add(structure(17, 0x22, map[int]any{0x0C: uint16(16384), 0x10: 1, 0x12: 0x1A, 0x15: uint16(3200), 0x20: uint16(2133)}, "DIMM B2"))
	add(structure(17, 0x15, map[int]any{0x0C: uint16(0x8000 | 512), 0x10: 1}, "OLD")) // version 2.1: no speeds
	add(structure(17, 0x22, map[int]any{0x0C: uint16(0)}))                            // empty slot
	add(structure(17, 0x22, map[int]any{0x0C: uint16(0xFFFF)}))                       // size not told
	add(structure(127, 4, nil))
	return append(t, 0xAA, 0xBB) // what follows the end mark is not read
}

func TestSMBIOS(t *testing.T) {
	s, err := ParseSMBIOS(sampleTable())
	if err != nil {
		t.Fatal(err)
	}
	want := SMBIOS{
		Firmware: "2.14", FirmwareDate: "03/11/2026", Maker: "Halden", Product: "Bench 1", BoardMaker: "Halden Boards", Board: "HX-870",
		Processors: []Processor{{Version: "Corvane C7", CurrentMHz: 4300, Cores: 300, Threads: 16}}, Slots: 4,
		Modules: []Module{
			{Locator: "DIMM A2", Bytes: 48 << 30, Type: "DDR5", Rated: 70000, Configured: 4800, Maker: "Merrow", Part: "MR5-48", Rank: 2, Millivolts: 1250},
			{Locator: "DIMM B2", Bytes: 16 << 30, Type: "DDR4", Rated: 3200, Configured: 2133},
			{Locator: "OLD", Bytes: 512 << 10}, {}, {Unknown: true},
		},
	}
	if !reflect.DeepEqual(s, want) {
		t.Errorf("got  %+v\nwant %+v", s, want)
	}
	for _, m := range s.Modules {
		if strings.Contains(m.Maker+m.Part+m.Locator, "SERIAL") {
			t.Errorf("a serial number was read: %+v", m)
		}
	}
}

func TestDamagedSMBIOS(t *testing.T) {
	whole := sampleTable()
	for _, c := range []struct {
		name  string
		table []byte
	}{
		{"empty", nil}, {"too short", []byte{0, 3, 0, 0, 0, 0}}, {"length beyond the end", []byte{17, 200, 0, 0, 1}},
		{"texts without end", append(structure(1, 8, nil)[:8], "abc"...)},
	} {
		if s, err := ParseSMBIOS(c.table); err == nil {
			t.Errorf("%s: read as %+v", c.name, s)
		}
	}
	s, err := ParseSMBIOS(whole[:200])
	if err == nil || s.Board != "HX-870" {
		t.Errorf("what stands before the damage is kept: %v %+v", err, s)
	}
}

// FuzzSMBIOS: whatever the bytes, the parser ends, what it returns is clean text, and
// bytes behind the end mark change nothing.
func FuzzSMBIOS(f *testing.F) {
	f.Add(sampleTable())
	f.Add([]byte{127, 4, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := ParseSMBIOS(b)
		for _, m := range s.Modules {
			for _, text := range []string{m.Locator, m.Maker, m.Part} {
				if text != safe.Reported(text) {
					t.Errorf("unclean text %q", text)
				}
			}
			if m.Rated < 0 || m.Configured < 0 {
				t.Errorf("negative speed %+v", m)
			}
		}
		ended := append(append([]byte(nil), b...), structure(127, 4, nil)...)
		if err == nil {
			again, _ := ParseSMBIOS(append(ended, 1, 2, 3))
			if first, _ := ParseSMBIOS(ended); !reflect.DeepEqual(first, again) {
				t.Error("bytes behind the end mark were read")
			}
		}
		if raw, err := WindowsTable(b); err == nil && len(raw) > len(b)-8 {
			t.Error("more than there is")
		}
	})
}
