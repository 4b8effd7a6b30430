package testlab

import (
	"fmt"
	"strings"
)

// LogStyle is one of the plain forms in which invented logs are written.
type LogStyle int

// The styles differ in everything a reader must find out by itself.
const (
	StyleDurations  LogStyle = iota // heading, frame times in ms
	StyleBoth                       // elapsed seconds and frame times
	StyleStamps                     // absolute nanoseconds
	StyleSemicolon                  // semicolons and decimal comma
	StyleHeaderTags                 // `key: value` comments ahead, extra columns
	StyleTabs                       // tabs, no heading, index and microseconds
	Styles          = int(iota)
)

// Log writes frame times (ms) in the given style. Header lines are written where the
// style has them.
func Log(style LogStyle, ms []float64, header [][2]string) []byte {
	var b strings.Builder
	at := 0.0
	switch style {
	case StyleDurations:
		b.WriteString("took_ms\n")
	case StyleBoth:
		b.WriteString("at_s,took_ms\n")
	case StyleStamps:
		b.WriteString("stamp_ns\n")
		fmt.Fprintf(&b, "%d\n", stampBase)
	case StyleSemicolon:
		b.WriteString("Zeit (s);Dauer (ms)\r\n")
	case StyleHeaderTags:
		for _, kv := range header {
			fmt.Fprintf(&b, "# %s: %s\n", kv[0], kv[1])
		}
		b.WriteString("number,at_s,busy_share,took_ms,held_mb\n")
	}
	for i, x := range ms {
		at += x
		switch style {
		case StyleDurations:
			fmt.Fprintf(&b, "%.3f\n", x)
		case StyleBoth:
			fmt.Fprintf(&b, "%.6f,%.3f\n", at/1000, x)
		case StyleStamps:
			fmt.Fprintf(&b, "%d\n", stampBase+int64(at*1e6+0.5))
		case StyleSemicolon:
			b.WriteString(strings.ReplaceAll(fmt.Sprintf("%.6f;%.3f\r\n", at/1000, x), ".", ","))
		case StyleHeaderTags:
			fmt.Fprintf(&b, "%d,%.6f,%.2f,%.3f,%d\n", i, at/1000, 0.5+0.01*float64(i%7), x, 2048+i%13)
		case StyleTabs:
			fmt.Fprintf(&b, "%d\t%.0f\n", i, x*1000)
		}
	}
	return []byte(b.String())
}

const stampBase = 81_234_567_890_123 // an arbitrary uptime in ns
