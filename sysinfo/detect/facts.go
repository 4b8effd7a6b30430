package detect

import (
	"strconv"

	"capd.example/internal/text"
	"capd.example/record"
)

// facts collects fields. An empty value becomes an absent one, so that no field is ever
// an empty string.
type facts struct{ list []record.Field }

func (f *facts) add(name, value, unit, source string) { f.put(name, value, unit, source, false) }

// id adds a field that counts for the system's identity.
func (f *facts) id(name, value, unit, source string) { f.put(name, value, unit, source, true) }

func (f *facts) put(name, value, unit, source string, identity bool) {
	value = text.Reported(value)
	if value == "" {
		f.unknown(name, record.Absent, source, identity)
		return
	}
	f.list = append(f.list, record.Field{Name: name, Value: value, Unit: unit, Source: source, Identity: identity})
}

func (f *facts) unknown(name string, why record.Unknown, source string, identity bool) {
	f.list = append(f.list, record.Field{Name: name, Unknown: why, Source: source, Identity: identity})
}

// maybe adds the value, or why there is none.
func (f *facts) maybe(name, value, unit, source string, why record.Unknown, identity bool) {
	if why != "" {
		f.unknown(name, why, source, identity)
		return
	}
	f.put(name, value, unit, source, identity)
}

func itoa(n int) string       { return strconv.Itoa(n) }
func utoa(n uint64) string    { return strconv.FormatUint(n, 10) }
func round1(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func onOff(b bool) string {
	if b {
		return "on"
	}
	return "off"
}

const (
	kib = 1 << 10
	mib = 1 << 20
	gib = 1 << 30
)

// gibText prints a size in GiB without a needless decimal.
func gibText(bytes uint64) string {
	if bytes%gib == 0 {
		return utoa(bytes / gib)
	}
	return round1(float64(bytes) / gib)
}
