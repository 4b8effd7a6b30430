package winsys

import (
	"encoding/binary"
	"unicode/utf16"
)

// UTF16Text turns little-endian UTF-16 into text, up to a zero.
func UTF16Text(b []byte) string {
	u := make([]uint16, 0, len(b)/2)
	for ; len(b) >= 2; b = b[2:] {
		c := binary.LittleEndian.Uint16(b)
		if c == 0 {
			break
		}
		u = append(u, c)
	}
	return string(utf16.Decode(u))
}
