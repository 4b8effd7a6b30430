// Package unit knows units of time, and the Words in headings that state one.
package unit

import "strings"

// Unit is a unit of time.
type Unit int

const (
	None Unit = iota
	Seconds
	Millis
	Micros
	Nanos
	Other // a heading that names a quantity which is no time
)

var unitNames = [...]string{"", "s", "ms", "us", "ns", "other"}

func (u Unit) String() string { return unitNames[u] }

// Shift is the power of ten by which a number in u is divided to give milliseconds.
func (u Unit) Shift() int { return [...]int{0, -3, 0, 3, 6, 0}[u] }

func ByName(s string) (Unit, bool) {
	for u := Seconds; u <= Nanos; u++ {
		if unitNames[u] == s {
			return u, true
		}
	}
	return None, false
}

// timeWords are the spellings of units in headings: symbols of the SI and plain Words in
// English and German.
var timeWords = map[string]Unit{
	"s": Seconds, "sec": Seconds, "secs": Seconds, "second": Seconds, "seconds": Seconds, "sek": Seconds,
	"sekunde": Seconds, "sekunden": Seconds,
	"ms": Millis, "msec": Millis, "millis": Millis, "millisecond": Millis, "milliseconds": Millis, "millisekunde": Millis,
	"millisekunden": Millis,
	"us":            Micros, "µs": Micros, "μs": Micros, "usec": Micros, "micros": Micros, "microsecond": Micros,
	"microseconds": Micros, "mikrosekunde": Micros, "mikrosekunden": Micros,
	"ns": Nanos, "nsec": Nanos, "nanos": Nanos, "nanosecond": Nanos, "nanoseconds": Nanos, "nanosekunde": Nanos,
	"nanosekunden": Nanos,
}

// otherWords mark a heading as a quantity that is no time.
var otherWords = map[string]bool{
	"%": true, "percent": true, "prozent": true, "pct": true, "share": true, "ratio": true,
	"fps": true, "hz": true, "khz": true, "mhz": true, "ghz": true, "rate": true,
	"b": true, "kb": true, "mb": true, "gb": true, "kib": true, "mib": true, "gib": true, "bytes": true,
	"c": true, "°c": true, "celsius": true, "f": true, "°f": true, "k": true, "temp": true, "temperature": true,
	"temperatur": true,
	"w":          true, "mw": true, "watt": true, "watts": true, "v": true, "mv": true, "volt": true, "a": true,
	"ma": true, "rpm": true,
	"util": true, "utilisation": true, "utilization": true, "load": true, "last": true, "usage": true,
	"count": true, "calls": true, "index": true, "number": true, "nr": true, "no": true, "id": true, "pid": true,
	"clock": true, "power": true, "width": true, "height": true, "speed": true,
}

// Words splits a heading into lower-case Words: at blanks, brackets, underscores and
// other signs, and where a capital follows a small letter.
func Words(heading string) []string {
	var out []string
	var cur []rune
	flush := func() {
		if len(cur) > 0 {
			out = append(out, strings.ToLower(string(cur)))
			cur = cur[:0]
		}
	}
	var prev rune
	for _, r := range heading {
		switch {
		case strings.ContainsRune(" \t_-()[]{}<>/:;,.|\"'#=", r):
			flush()
		case r >= 'A' && r <= 'Z' && prev >= 'a' && prev <= 'z':
			flush()
			cur = append(cur, r)
		default:
			cur = append(cur, r)
		}
		prev = r
	}
	flush()
	return out
}

// Of returns the unit that a heading states. The last word that is a unit counts,
// since units stand at the end.
func Of(heading string) Unit {
	u := None
	other := false
	for _, w := range Words(heading) {
		if v, ok := timeWords[w]; ok {
			u = v
		} else if otherWords[w] {
			other = true
		}
	}
	if u != None {
		return u
	}
	if other {
		return Other
	}
	return None
}

// SaysFrameTime reports whether a heading is the trade's plain word for a frame time and
// nothing more.
func SaysFrameTime(heading string) bool {
	var rest []string
	for _, w := range Words(heading) {
		if _, isUnit := timeWords[w]; !isUnit {
			rest = append(rest, w)
		}
	}
	switch strings.Join(rest, " ") {
	case "frame time", "frametime", "frame duration", "frame", "bildzeit", "frame times", "frametimes":
		return true
	}
	return false
}

// Known reports whether a lower-case word is a unit, of time or of anything else.
func Known(word string) bool {
	_, is := timeWords[word]
	return is || otherWords[word]
}
