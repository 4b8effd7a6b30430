package firmware

import (
	"bytes"
	"cmp"
)

// field is where a number or the number of a text stands in a structure.
type field struct {
	at, size int
	text     bool
}

// read lists what [ParseSMBIOS] reads of each kind of structure.
var read = map[byte][]field{
	0: {{0x05, 1, true}, {0x08, 1, true}},
	1: {{0x04, 1, true}, {0x05, 1, true}},
	2: {{0x04, 1, true}, {0x05, 1, true}},
	4: {{0x10, 1, true}, {0x16, 2, false}, {0x18, 1, false}, {0x23, 1, false}, {0x25, 1, false}, {0x2A, 2, false},
		{0x2E, 2, false}},
	16: {{0x05, 1, false}, {0x0D, 2, false}},
	17: {{0x0C, 2, false}, {0x10, 1, true}, {0x12, 1, false}, {0x15, 2, false}, {0x17, 1, true}, {0x1A, 1, true},
		{0x1B, 1, false}, {0x1C, 4, false}, {0x20, 2, false}, {0x26, 2, false}, {0x54, 4, false}, {0x58, 4, false}},
	127: {},
}

// Bare returns a table with what [ParseSMBIOS] reads of it and nothing else: no other structure,
// and zeros and dashes in the place of serial numbers, tags and the machine's own number.
func Bare(table []byte) []byte {
	var out bytes.Buffer
	for len(table) >= 4 {
		kind, length := table[0], int(table[1])
		if length < 4 || length > len(table) {
			break
		}
		area := table[:length]
		texts, rest, ok := smbiosStrings(table[length:])
		if !ok {
			break
		}
		table = rest
		fields, ours := read[kind]
		if !ours {
			continue
		}
		bare := make([]byte, length)
		copy(bare, area[:4])
		said := make([]string, len(texts))
		for _, f := range fields {
			for at := f.at; at < min(f.at+f.size, length); at++ {
				bare[at] = area[at]
			}
			if n := (smbiosArea{area, texts}).u8(f.at); f.text && n >= 1 && n <= len(texts) {
				said[n-1] = texts[n-1] + " " // blanks at the end do not count, and an empty text would be the set's end
			}
		}
		out.Write(bare)
		for _, s := range said {
			out.WriteString(cmp.Or(s, "-") + "\x00")
		}
		if len(said) == 0 {
			out.WriteByte(0)
		}
		out.WriteByte(0)
		if kind == 127 {
			break
		}
	}
	return out.Bytes()
}

// BareEDID returns a base block without the monitor's serial numbers, nil for what is none.
func BareEDID(b []byte) []byte {
	if _, err := ParseEDID(b); err != nil {
		return nil
	}
	b = bytes.Clone(b[:edidBlock])
	clear(b[12:18]) // number of this monitor, week and year
	for i := range 4 {
		d := b[edidDescriptors+i*edidDescriptor:][:edidDescriptor]
		if d[0] == 0 && d[1] == 0 && d[3] != 0xfc && d[3] != 0xfd {
			clear(d[3:])
			d[3] = 0x10 // a descriptor that says nothing
		}
	}
	b[126], b[127] = 0, 0 // the blocks that followed are not kept
	sum := byte(0)
	for _, x := range b {
		sum += x
	}
	b[127] = -sum
	return b
}
