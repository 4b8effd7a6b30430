// Package fault holds the errors of reading a log.
package fault

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
)

// Error says why a log could not be read.
type Error struct {
	Line int    // line concerned, from 1; 0 when it concerns the whole log
	What string // what is wrong
	Do   string // what to do about it
}

func (e *Error) Error() string {
	var b strings.Builder
	if e.Line > 0 {
		fmt.Fprintf(&b, "line %d: ", e.Line)
	}
	b.WriteString(e.What)
	if e.Do != "" {
		b.WriteString(": ")
		b.WriteString(e.Do)
	}
	return b.String()
}

// New returns an [Error] about a line, 0 for the whole log, with what to do about it.
func New(line int, do, format string, args ...any) error {
	return &Error{Line: line, What: fmt.Sprintf(format, args...), Do: do}
}

// OfTheMoment reports whether an error of reading a log came from opening or reading the
// file: descriptors that ran out, a disk that failed, a program that locks it. Reading it
// again may help, where any other error is about what the log holds.
func OfTheMoment(err error) bool {
	var file *fs.PathError
	return errors.As(err, &file)
}
