package cli

import (
	"io"
	"os"

	"golang.org/x/term"
)

// IsTerminal reports whether somebody may be looking at what is written to w.
func IsTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// Colours reports whether colours may be written to w: to terminals only, and not where the
// user asks for none in the usual way, or the terminal would show them as signs.
func Colours(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && IsTerminal(w) && os.Getenv("NO_COLOR") == "" && understands(f)
}

// Width returns the columns of a terminal, 0 for anything else.
func Width(w io.Writer) int {
	f, ok := w.(*os.File)
	if !ok {
		return 0
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if err != nil {
		return 0
	}
	return width
}
