package text

import (
	"strings"
)

// Reported makes text from firmware fit for one line: printable, trimmed, single spaces.
// Firmware fills empty fields with phrases of its own; those count as empty.
func Reported(s string) string {
	// What may not be shown becomes a blank: a field is compared between systems, and padding
	// with odd bytes must not tell two equal parts apart.
	s = strings.Join(strings.Fields(strings.ReplaceAll(Line(s), string(Odd), " ")), " ")
	switch strings.ToLower(s) {
	case "to be filled by o.e.m.", "default string", "not specified", "none", "unknown", "system product name", "n/a":
		return ""
	}
	return s
}
