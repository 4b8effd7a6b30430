package winsys

import (
	"encoding/binary"
	"strings"
)

// Formats of counters (pdh.h). The first is a number of floating point, not capped at 100: a
// processor above its base clock is at 120 to 180 % of it (Microsoft,
// "PdhGetFormattedCounterValue function", PDH_FMT_NOCAP100).
const (
	FormatDouble = 0x200 | 0x8000
	FormatLarge  = 0x400
)

// CounterItemSize is that of PDH_FMT_COUNTERVALUE_ITEM_W: the name's address, the status, the
// value at 16.
const CounterItemSize = 24

// CounterItem is one instance of a wildcard.
type CounterItem struct {
	Name  string
	Value uint64 // bits of what the format says
}

// EachCounter visits the instances with valid data in the answer to [CounterArray].
func EachCounter(b []byte, visit func(CounterItem)) {
	if len(b) < 8 {
		return
	}
	count, items := binary.LittleEndian.Uint64(b), b[8:]
	for i := range int(min(count, uint64(len(items)/CounterItemSize))) {
		item := items[i*CounterItemSize:]
		at := binary.LittleEndian.Uint64(item)
		if binary.LittleEndian.Uint32(item[8:]) > 1 || at >= uint64(len(items)) { // neither valid data nor new data
			continue
		}
		visit(CounterItem{UTF16Text(items[at:]), binary.LittleEndian.Uint64(item[16:])})
	}
}

// InstanceLUID finds the card in the name of an instance of the cards' counters, as
// pid_1234_luid_0x00000000_0x0000C2B5_phys_0_eng_3_engtype_3D.
func InstanceLUID(name string) (uint64, bool) {
	_, rest, found := strings.Cut("_"+name, "_luid_")
	words := strings.SplitN(rest, "_", 3)
	if !found || len(words) < 2 {
		return 0, false
	}
	return LUID(words[0], words[1])
}

// LUID puts the two halves of a card's number together.
func LUID(high, low string) (uint64, bool) {
	h, good := hexadecimal(high)
	l, fine := hexadecimal(low)
	return h<<32 | l, good && fine
}

func hexadecimal(s string) (n uint64, ok bool) {
	s, ok = strings.CutPrefix(s, "0x")
	if !ok || s == "" || len(s) > 8 {
		return 0, false
	}
	for _, c := range []byte(strings.ToLower(s)) {
		switch {
		case c >= '0' && c <= '9':
			n = n<<4 | uint64(c-'0')
		case c >= 'a' && c <= 'f':
			n = n<<4 | uint64(c-'a'+10)
		default:
			return 0, false
		}
	}
	return n, true
}
