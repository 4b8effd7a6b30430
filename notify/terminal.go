package notify

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"capd.example/internal/text"
)

// Terminal writes one line per alert. For a reader at a terminal it begins with the time,
// is broken between words, and configuration lines stand below it, ready to be copied.
type Terminal struct {
	Out    io.Writer
	Width  func() int // columns of the terminal, 0 for unknown; nil where nobody reads along
	Colour bool       // in the kind's colour; for terminals only
	Bell   bool       // ring the terminal's bell
}

// Name implements [Channel].
func (Terminal) Name() string { return "terminal" }

// Send implements [Channel].
func (t Terminal) Send(_ context.Context, a Alert) error {
	before, line, after := "", Line(a), ""
	if t.Width != nil {
		before = a.At.Local().Format(time.TimeOnly) + " "
		line = wrapped(line, t.Width(), len(before))
		after = Copyable(a.Settings)
	}
	if t.Colour {
		line = colour(a.Kind) + line + "\x1b[0m"
	}
	if t.Bell {
		line += "\a"
	}
	if _, err := fmt.Fprint(t.Out, before+line+"\n"+after); err != nil {
		return fmt.Errorf("write to the terminal: %w", err)
	}
	return nil
}

// wrapped breaks text between words so that it fits into lines of the width of which the
// first columns stay blank; the first line stands behind something of that length.
func wrapped(text string, width, indent int) string {
	if width < indent+20 { // unknown, or too narrow to be read in any shape
		return text
	}
	var b strings.Builder
	column := indent
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case column+1+n > width:
			b.WriteString("\n" + strings.Repeat(" ", indent))
			column = indent
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += n
	}
	return b.String()
}

// Copyable lays configuration lines out below an alert: indented, one alternative after
// the other, and nothing in a line that is not part of the setting.
func Copyable(settings []string) string {
	var b strings.Builder
	for _, s := range settings {
		b.WriteByte('\n')
		for line := range strings.SplitSeq(strings.TrimSpace(s), "\n") {
			b.WriteString("    " + text.Plain(line) + "\n")
		}
	}
	if len(settings) > 0 {
		b.WriteByte('\n')
	}
	return b.String()
}

// colour returns the SGR sequence of a kind (ECMA-48, 8.3.117): bold red for what must
// be done again, yellow for what must be looked at, bold for the rest.
func colour(k Kind) string {
	switch k {
	case BadPass, UnreadableLog, Trouble:
		return "\x1b[1;31m"
	case DoubtfulPass, UnverifiedPass, OtherVerdict, Changed:
		return "\x1b[33m"
	}
	return "\x1b[1m"
}
