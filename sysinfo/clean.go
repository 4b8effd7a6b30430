package sysinfo

import (
	"strings"
	"unicode"
)

// clean makes text from firmware fit for one line: printable, trimmed, single spaces.
// Firmware fills empty fields with phrases of its own; those count as empty.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, " "))
	s = strings.Join(strings.Fields(s), " ")
	switch strings.ToLower(s) {
	case "to be filled by o.e.m.", "default string", "not specified", "none", "unknown", "system product name", "n/a":
		return ""
	}
	return s
}
