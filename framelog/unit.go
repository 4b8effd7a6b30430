package framelog

import "strings"

func lower(s string) string { return strings.ToLower(s) }

// unit is a unit of time.
type unit int

const (
	noUnit unit = iota
	seconds
	millis
	micros
	nanos
	otherUnit // a heading that names a quantity which is no time
)

var unitNames = [...]string{"", "s", "ms", "us", "ns", "other"}

func (u unit) String() string { return unitNames[u] }

// shift is the power of ten by which a number in u is divided to give milliseconds.
func (u unit) shift() int { return [...]int{0, -3, 0, 3, 6, 0}[u] }

func unitByName(s string) (unit, bool) {
	for u := seconds; u <= nanos; u++ {
		if unitNames[u] == s {
			return u, true
		}
	}
	return noUnit, false
}

// unitWords are the spellings of units in headings: symbols of the SI and plain words in
// English and German.
var unitWords = map[string]unit{
	"s": seconds, "sec": seconds, "secs": seconds, "second": seconds, "seconds": seconds, "sek": seconds, "sekunde": seconds, "sekunden": seconds,
	"ms": millis, "msec": millis, "millis": millis, "millisecond": millis, "milliseconds": millis, "millisekunde": millis, "millisekunden": millis,
	"us": micros, "µs": micros, "μs": micros, "usec": micros, "micros": micros, "microsecond": micros, "microseconds": micros, "mikrosekunde": micros, "mikrosekunden": micros,
	"ns": nanos, "nsec": nanos, "nanos": nanos, "nanosecond": nanos, "nanoseconds": nanos, "nanosekunde": nanos, "nanosekunden": nanos,
}

// otherWords mark a heading as a quantity that is no time.
var otherWords = map[string]bool{
	"%": true, "percent": true, "prozent": true, "pct": true, "share": true, "ratio": true,
	"fps": true, "hz": true, "khz": true, "mhz": true, "ghz": true, "rate": true,
	"b": true, "kb": true, "mb": true, "gb": true, "kib": true, "mib": true, "gib": true, "bytes": true,
	"c": true, "°c": true, "celsius": true, "f": true, "°f": true, "k": true, "temp": true, "temperature": true, "temperatur": true,
	"w": true, "mw": true, "watt": true, "watts": true, "v": true, "mv": true, "volt": true, "a": true, "ma": true, "rpm": true,
	"util": true, "utilisation": true, "utilization": true, "load": true, "last": true, "usage": true,
	"count": true, "calls": true, "index": true, "number": true, "nr": true, "no": true, "id": true, "pid": true,
	"clock": true, "power": true, "width": true, "height": true, "speed": true,
}

// words splits a heading into lower-case words: at blanks, brackets, underscores and
// other signs, and where a capital follows a small letter.
func words(heading string) []string {
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

// unitOf returns the unit that a heading states. The last word that is a unit counts,
// since units stand at the end.
func unitOf(heading string) unit {
	u := noUnit
	other := false
	for _, w := range words(heading) {
		if v, ok := unitWords[w]; ok {
			u = v
		} else if otherWords[w] {
			other = true
		}
	}
	if u != noUnit {
		return u
	}
	if other {
		return otherUnit
	}
	return noUnit
}

// saysFrameTime reports whether a heading is the trade's plain word for a frame time and
// nothing more.
func saysFrameTime(heading string) bool {
	var rest []string
	for _, w := range words(heading) {
		if _, isUnit := unitWords[w]; !isUnit {
			rest = append(rest, w)
		}
	}
	switch strings.Join(rest, " ") {
	case "frame time", "frametime", "frame duration", "frame", "bildzeit", "frame times", "frametimes":
		return true
	}
	return false
}
