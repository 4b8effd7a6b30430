// Package text makes words from outside fit to be shown: names of logs and folders, what
// validators, packages, machines and other programs say. Every writer for people goes
// through it, so that no such word can steer a terminal, forge a line, hide or turn round
// what is read, or become a formula of a spreadsheet.
package text

import (
	"bytes"
	"fmt"
	"io"
	"reflect"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Odd stands in the place of what may not be shown, so that a reader sees that there was
// something.
const Odd = '\uFFFD'

// Hostile reports whether a character may not reach a reader as it is: controls (C0, C1,
// DEL), separators of lines, format characters (bidirectional marks, zero width, tags) and
// what else is invisible by the Unicode property Default_Ignorable_Code_Point, but for
// variation selectors, which choose the form of what stands before them; and code points
// that are no characters.
func Hostile(r rune) bool {
	return r != ' ' && (unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Cs,
		unicode.Other_Default_Ignorable_Code_Point) ||
		r&0xFFFE == 0xFFFE || r >= 0xFDD0 && r <= 0xFDEF)
}

// Plain returns s for one cell or one field: blanks in place of tabs and line ends, [Odd] in
// place of every other hostile character and of every byte that is no UTF-8. The blanks of
// s stay, since a path may have several in a row.
func Plain(s string) string {
	clean := true
	for i := 0; i < len(s); i++ {
		if s[i] < ' ' || s[i] >= 0x7f {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r' || r == '\v' || r == '\f' || r == '\u0085' || r == '\u2028' || r == '\u2029':
			return ' '
		case r == utf8.RuneError || Hostile(r):
			return Odd
		}
		return r
	}, s)
}

// Valid returns s with [Odd] in place of what is no UTF-8, for what takes nothing else. The
// rest stays, also what may not be shown.
func Valid(s string) string { return strings.ToValidUTF8(s, string(Odd)) }

// Line returns s as one line of a sentence: [Plain], trimmed, single blanks.
func Line(s string) string { return strings.Join(strings.Fields(Plain(s)), " ") }

// Blank reports whether nothing of s could be seen.
func Blank(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r != Odd && !unicode.IsSpace(r) && !Hostile(r) })
}

// Cut returns s with at most so many characters; what was cut is said.
func Cut(s string, most int) string {
	if len(s) <= most || utf8.RuneCountInString(s) <= most {
		return s
	}
	r := []rune(s)
	return string(r[:most]) + fmt.Sprintf(" ... (%d more characters)", len(r)-most)
}

// Lines returns s with every line of it [Plain], for text that has lines of its own.
func Lines(s string) string {
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		lines[i] = Plain(l)
	}
	return strings.Join(lines, "\n")
}

// Fprintf is [fmt.Fprintf] with every word among the arguments [Plain]: texts, errors and
// all that has a text of its own. Only the format decides where lines end.
func Fprintf(w io.Writer, format string, args ...any) (int, error) {
	return fmt.Fprintf(w, format, words(args)...)
}

// Sprintf is [fmt.Sprintf] in the same way.
func Sprintf(format string, args ...any) string { return fmt.Sprintf(format, words(args)...) }

// Fprintln writes the words in the same way, with blanks between and a line end behind.
func Fprintln(w io.Writer, args ...any) (int, error) { return fmt.Fprintln(w, words(args)...) }

func words(args []any) []any {
	out := make([]any, len(args))
	for i, a := range args {
		switch x := a.(type) {
		case string:
			out[i] = Plain(x)
		case error:
			out[i] = Plain(x.Error())
		case fmt.Formatter:
			out[i] = a
		case fmt.Stringer:
			if out[i] = a; !numeric(reflect.ValueOf(a).Kind()) { // those may stand for a number in the format
				out[i] = Plain(x.String())
			}
		case []string:
			list := make([]string, len(x))
			for k, s := range x {
				list[k] = Plain(s)
			}
			out[i] = list
		default:
			if v := reflect.ValueOf(a); v.Kind() == reflect.String {
				out[i] = Plain(v.String())
			} else {
				out[i] = a
			}
		}
	}
	return out
}

func numeric(k reflect.Kind) bool { return k >= reflect.Bool && k <= reflect.Complex128 }

// JSON escapes in a JSON text what a reader at a terminal must not be shown; the value that
// the text stands for stays the same. Outside of strings JSON has no such characters.
func JSON(b []byte) []byte {
	if !bytes.ContainsFunc(b, func(r rune) bool { return r >= 0x7f && Hostile(r) }) {
		return b
	}
	var out bytes.Buffer
	for _, r := range string(b) { // what is no UTF-8 is no JSON either
		switch {
		case r < 0x7f || !Hostile(r):
			out.WriteRune(r)
		case r > 0xffff:
			high, low := utf16.EncodeRune(r)
			fmt.Fprintf(&out, `\u%04x\u%04x`, high, low)
		default:
			fmt.Fprintf(&out, `\u%04x`, r)
		}
	}
	return out.Bytes()
}

// Escaped returns a writer of JSON that passes everything through [JSON]. Each Write must
// hold whole characters, as those of [encoding/json.Encoder] do.
func Escaped(w io.Writer) io.Writer { return escaped{w} }

type escaped struct{ w io.Writer }

func (e escaped) Write(p []byte) (int, error) {
	if _, err := e.w.Write(JSON(p)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// Cell returns s for a cell of a table that a spreadsheet may open: [Plain], and with an
// apostrophe in front where the spreadsheet would take it for a formula (OWASP, "CSV
// Injection"), also where only blanks stand before the sign.
func Cell(s string) string {
	s = Plain(s)
	if t := strings.TrimLeft(s, " "); t != "" && strings.ContainsRune("=+-@", rune(t[0])) {
		return "'" + s
	}
	return s
}
