package cli

import (
	"fmt"
	"io"

	"capd.example/internal/text"
)

// Streams are where a command says what it found. Results go to Out, messages for people to
// Err. The commands in a message carry what the user gave.
type Streams struct {
	Program  string // the name that stands before a message
	Out, Err io.Writer
	Given    Given
}

// Carry puts what the user gave into the commands that a text tells to type.
func (s *Streams) Carry(text string) string { return s.Given.Carry(text) }

// Say prints a message for people.
func (s *Streams) Say(format string, args ...any) {
	fmt.Fprintf(s.Err, "%s: %s\n", s.Program, s.Carry(text.Sprintf(format, args...)))
}

// Nothing says what a command did not find, and what to do, in place of an empty table.
func (s *Streams) Nothing(what, do string) { s.Say("%s: %s", what, do) }
