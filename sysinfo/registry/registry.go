// Package registry reads Windows' registry, and says in our words why a call of Windows has no answer.
package registry

import (
	"encoding/binary"
	"strings"
	"unicode/utf16"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

// Reader reads the registry; keys begin with HKLM\ or HKCU\. An answer is the value's kind
// (winnt.h, REG_SZ and its neighbours) in 4 bytes, then its bytes.
type Reader struct{ winsys.Asker }

func (r Reader) value(key, name string) (kind uint32, raw []byte, why record.Unknown) {
	b, s := winsys.Whole(r, winsys.Question{Call: winsys.RegistryValue, Text: key + "|" + name}, make([]byte, 256))
	if why := Why(s); why != "" {
		return 0, nil, why
	}
	if len(b) < 4 {
		return 0, nil, record.Broken
	}
	return binary.LittleEndian.Uint32(b), b[4:], ""
}

// Why says in our words why there is no answer; "" where there is one.
func Why(s winsys.Status) record.Unknown {
	const notFound, pathNotFound, denied, deniedToo = 2, 3, 5, 0xC0000022
	switch s {
	case winsys.OK:
		return ""
	case winsys.NoFunction, 0xC0000002, 0xC00000BB, 50, 120: // not implemented, not supported
		return record.Unsupported
	case notFound, pathNotFound, 1168, 0xC0000BB8, 0xC0000BB9, 0xC0000BC4: // also of counters, in pdhmsg.h
		return record.Absent
	case denied, deniedToo:
		return record.Refused
	}
	return record.Broken
}

// Text reads a string, also one that was written as binary UTF-16.
func (r Reader) Text(key, name string) (string, record.Unknown) {
	kind, raw, why := r.value(key, name)
	if why != "" {
		return "", why
	}
	switch kind {
	case winsys.RegText, winsys.RegExpand, winsys.RegBinary:
		return winsys.UTF16Text(raw), ""
	case winsys.RegTexts:
		var list []string
		for len(raw) >= 2 {
			s := winsys.UTF16Text(raw)
			if s == "" {
				break
			}
			list = append(list, s)
			raw = raw[min(len(raw), 2*len(utf16.Encode([]rune(s)))+2):]
		}
		return strings.Join(list, " "), ""
	}
	return "", record.Broken
}

// Number reads a number, also one that was written as up to eight bytes.
func (r Reader) Number(key, name string) (uint64, record.Unknown) {
	kind, raw, why := r.value(key, name)
	if why != "" {
		return 0, why
	}
	if (kind != winsys.RegNumber && kind != winsys.RegLong && kind != winsys.RegBinary) || len(raw) > 8 {
		return 0, record.Broken
	}
	var b [8]byte
	copy(b[:], raw)
	return binary.LittleEndian.Uint64(b[:]), ""
}

// Keys lists the names of a key's keys.
func (r Reader) Keys(key string) []string {
	b, s := winsys.Whole(r, winsys.Question{Call: winsys.RegistryKeys, Text: key}, make([]byte, 4096))
	if s != winsys.OK || len(b) == 0 {
		return nil
	}
	return strings.Split(string(b), "\n")
}
