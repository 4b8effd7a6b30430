package winsys

import (
	"encoding/binary"
	"strings"

	"capd.example/record"
)

// Registry reads the registry; keys begin with HKLM\ or HKCU\. An answer is the value's kind
// (winnt.h, REG_SZ and its neighbours) in 4 bytes, then its bytes.
type Registry struct{ Asker }

// The kinds of values.
const (
	regText, regExpand, regBinary, regNumber, regTexts, regLong = 1, 2, 3, 4, 7, 11
)

func (r Registry) value(key, name string) (kind uint32, raw []byte, why record.Unknown) {
	b, s := Whole(r, Question{Call: RegistryValue, Text: key + "|" + name}, make([]byte, 256))
	if why := Why(s); why != "" {
		return 0, nil, why
	}
	if len(b) < 4 {
		return 0, nil, record.Broken
	}
	return binary.LittleEndian.Uint32(b), b[4:], ""
}

// Why says in our words why there is no answer; "" where there is one.
func Why(s Status) record.Unknown {
	const notFound, pathNotFound, denied, deniedToo = 2, 3, 5, 0xC0000022
	switch s {
	case OK:
		return ""
	case NoFunction, 0xC0000002, 0xC00000BB, 50, 120: // not implemented, not supported
		return record.Unsupported
	case notFound, pathNotFound, 1168, 0xC0000BB8, 0xC0000BB9, 0xC0000BC4: // also of counters, in pdhmsg.h
		return record.Absent
	case denied, deniedToo:
		return record.Refused
	}
	return record.Broken
}

// Text reads a string, also one that was written as binary UTF-16.
func (r Registry) Text(key, name string) (string, record.Unknown) {
	kind, raw, why := r.value(key, name)
	if why != "" {
		return "", why
	}
	switch kind {
	case regText, regExpand, regBinary:
		return UTF16Text(raw), ""
	case regTexts:
		var list []string
		for len(raw) >= 2 {
			s := UTF16Text(raw)
			if s == "" {
				break
			}
			list = append(list, s)
			raw = raw[min(len(raw), 2*len(utf16Units(s))+2):]
		}
		return strings.Join(list, " "), ""
	}
	return "", record.Broken
}

// Number reads a number, also one that was written as up to eight bytes.
func (r Registry) Number(key, name string) (uint64, record.Unknown) {
	kind, raw, why := r.value(key, name)
	if why != "" {
		return 0, why
	}
	if (kind != regNumber && kind != regLong && kind != regBinary) || len(raw) > 8 {
		return 0, record.Broken
	}
	var b [8]byte
	copy(b[:], raw)
	return binary.LittleEndian.Uint64(b[:]), ""
}

// Keys lists the names of a key's keys.
func (r Registry) Keys(key string) []string {
	b, s := Whole(r, Question{Call: RegistryKeys, Text: key}, make([]byte, 4096))
	if s != OK || len(b) == 0 {
		return nil
	}
	return strings.Split(string(b), "\n")
}
