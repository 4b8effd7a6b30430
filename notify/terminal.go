package notify

import (
	"context"
	"fmt"
	"io"
)

// Terminal writes one line per alert.
type Terminal struct {
	Out    io.Writer
	Colour bool // the kind in colour; for terminals only
	Bell   bool // ring the terminal's bell
}

// Name implements [Channel].
func (Terminal) Name() string { return "terminal" }

// Send implements [Channel].
func (t Terminal) Send(_ context.Context, a Alert) error {
	line := Line(a)
	if t.Colour {
		line = colour(a.Kind) + line + "\x1b[0m"
	}
	if t.Bell {
		line += "\a"
	}
	if _, err := fmt.Fprintln(t.Out, line); err != nil {
		return fmt.Errorf("write to the terminal: %w", err)
	}
	return nil
}

// colour returns the SGR sequence of a kind (ECMA-48, 8.3.117): bold red for what must
// be done again, yellow for what must be looked at, bold for the rest.
func colour(k Kind) string {
	switch k {
	case BadPass, UnreadableLog, Trouble:
		return "\x1b[1;31m"
	case DoubtfulPass, UnverifiedPass, Changed:
		return "\x1b[33m"
	}
	return "\x1b[1m"
}
