package firmware

import (
	"encoding/binary"
	"errors"
	"strings"

	"capd.example/internal/text"
)

// SMBIOS is what we use of the firmware's table (System Management BIOS Reference
// Specification, DMTF DSP0134): types 0, 1, 2, 4, 16 and 17. Serial numbers, asset tags
// and the machine's UUID stand in the same structures and are not read.
type SMBIOS struct {
	Firmware     string // type 0: version
	FirmwareDate string
	Maker        string // type 1
	Product      string
	BoardMaker   string // type 2
	Board        string
	Processors   []Processor
	Slots        int // type 16: memory slots of the system memory arrays
	Modules      []Module
}

// Processor is a populated socket, type 4.
type Processor struct {
	Version        string
	CurrentMHz     int // at boot
	Cores, Threads int
}

// Module is one memory slot, type 17.
type Module struct {
	Locator    string
	Bytes      uint64 // 0 where the slot is empty or the size unknown
	Unknown    bool   // the slot is used and the size not told
	Type       string // "DDR5", "" where not told
	Rated      int    // MT/s, 0 where not told
	Configured int    // MT/s: what it runs at, 0 where not told
	Maker      string
	Part       string
	Rank       int // 0 where not told
	Millivolts int // configured voltage, 0 where not told
}

var errSMBIOS = errors.New("the firmware's table is damaged")

// WindowsTable strips the heading that Windows puts before the table: calling method,
// version and a length.
func WindowsTable(raw []byte) ([]byte, error) {
	if len(raw) < 8 {
		return nil, errSMBIOS
	}
	n := binary.LittleEndian.Uint32(raw[4:])
	if uint64(n) > uint64(len(raw)-8) {
		return nil, errSMBIOS
	}
	return raw[8 : 8+n], nil
}

// ParseSMBIOS reads the structures of a table. It stops at the end mark, at the end of
// the bytes, or with errSMBIOS at the first structure that cannot be one; what came
// before is returned.
func ParseSMBIOS(table []byte) (SMBIOS, error) {
	var s SMBIOS
	seen := false
	for len(table) >= 4 {
		kind, length := table[0], int(table[1])
		if length < 4 || length > len(table) {
			return s, errSMBIOS
		}
		area, rest := table[:length], table[length:]
		texts, rest, ok := smbiosStrings(rest)
		if !ok {
			return s, errSMBIOS
		}
		if kind == 127 {
			return s, nil
		}
		s.take(smbiosArea{area, texts})
		seen = true
		table = rest
	}
	if !seen {
		return s, errSMBIOS
	}
	return s, nil
}

// smbiosStrings reads the texts behind a structure: each ends with a zero, the set with
// another. A set without texts is two zeros.
func smbiosStrings(b []byte) (texts []string, rest []byte, ok bool) {
	if len(b) >= 2 && b[0] == 0 && b[1] == 0 {
		return nil, b[2:], true
	}
	for {
		i := 0
		for i < len(b) && b[i] != 0 {
			i++
		}
		if i == len(b) {
			return nil, nil, false
		}
		if i == 0 {
			return texts, b[1:], true
		}
		texts = append(texts, strings.TrimSpace(string(b[:i])))
		b = b[i+1:]
	}
}

// smbiosArea is a structure's formatted area with its texts. Fields beyond its length
// were not known to the firmware's version and read as zero.
type smbiosArea struct {
	b     []byte
	texts []string
}

func (a smbiosArea) u8(at int) int {
	if at < len(a.b) {
		return int(a.b[at])
	}
	return 0
}

func (a smbiosArea) u16(at int) int {
	if at+2 <= len(a.b) {
		return int(binary.LittleEndian.Uint16(a.b[at:]))
	}
	return 0
}

func (a smbiosArea) u32(at int) uint32 {
	if at+4 <= len(a.b) {
		return binary.LittleEndian.Uint32(a.b[at:])
	}
	return 0
}

func (a smbiosArea) text(at int) string {
	if n := a.u8(at); n >= 1 && n <= len(a.texts) {
		return text.Reported(a.texts[n-1])
	}
	return ""
}

func (s *SMBIOS) take(a smbiosArea) {
	switch a.b[0] {
	case 0:
		s.Firmware, s.FirmwareDate = a.text(0x05), a.text(0x08)
	case 1:
		s.Maker, s.Product = a.text(0x04), a.text(0x05)
	case 2:
		if s.Board == "" { // the first is the main board, others are risers
			s.BoardMaker, s.Board = a.text(0x04), a.text(0x05)
		}
	case 4:
		const populated = 1 << 6
		if a.u8(0x18)&populated != 0 {
			s.Processors = append(s.Processors, a.processor())
		}
	case 16:
		const systemMemory = 3
		if a.u8(0x05) == systemMemory {
			s.Slots += a.u16(0x0D)
		}
	case 17:
		s.Modules = append(s.Modules, a.module())
	}
}

func (a smbiosArea) processor() Processor {
	p := Processor{Version: a.text(0x10), CurrentMHz: a.u16(0x16), Cores: a.u8(0x23), Threads: a.u8(0x25)}
	// 0xFF sends the reader to a wider field that version 3.0 added.
	if p.Cores == 0xFF {
		p.Cores = a.u16(0x2A)
	}
	if p.Threads == 0xFF {
		p.Threads = a.u16(0x2E)
	}
	return p
}

// memoryTypes names the values of "Memory Device - Type" that a bench may hold (DSP0134,
// table of 7.18.2).
var memoryTypes = map[int]string{
	0x12: "DDR", 0x13: "DDR2", 0x18: "DDR3", 0x1A: "DDR4", 0x1B: "LPDDR", 0x1C: "LPDDR2", 0x1D: "LPDDR3",
	0x1E: "LPDDR4", 0x20: "HBM", 0x21: "HBM2", 0x22: "DDR5", 0x23: "LPDDR5", 0x24: "HBM3",
}

func (a smbiosArea) module() Module {
	m := Module{
		Locator: a.text(0x10), Type: memoryTypes[a.u8(0x12)], Maker: a.text(0x17), Part: a.text(0x1A),
		Rank: a.u8(0x1B) & 0x0F, Millivolts: a.u16(0x26),
		Rated: a.speed(0x15, 0x54), Configured: a.speed(0x20, 0x58),
	}
	switch size := a.u16(0x0C); {
	case size == 0:
	case size == 0xFFFF:
		m.Unknown = true
	case size == 0x7FFF:
		m.Bytes = uint64(a.u32(0x1C)&0x7FFFFFFF) << 20
	case size&0x8000 != 0:
		m.Bytes = uint64(size&0x7FFF) << 10
	default:
		m.Bytes = uint64(size) << 20
	}
	return m
}

// speed reads MT/s; 0xFFFF sends the reader to a wider field that version 3.3 added.
func (a smbiosArea) speed(at, wide int) int {
	if n := a.u16(at); n != 0xFFFF {
		return n
	}
	return int(a.u32(wide) & 0x7FFFFFFF)
}
