package framelog

import (
	"fmt"
	"strings"

	"capd.example/framelog/internal/fault"
)

// Error says why a log could not be read.
type Error = fault.Error

// Candidate is one plausible way to read a log.
type Candidate struct {
	Column   string  // heading or "column N"
	Position int     // of the column, from 1
	Kind     string  // "duration" or "timestamp"
	Unit     string  // "s", "ms", "us" or "ns"
	AvgFPS   float64 // what it would give over the rows that were looked at
}

// AmbiguousError lists the plausible readings of a log that differ.
type AmbiguousError struct {
	Candidates []Candidate
	Rows       int    // rows that the averages rest on
	Path       string // the log's name, for the configuration lines
}

func (e *AmbiguousError) Error() string {
	var b strings.Builder
	b.WriteString("more than one column or unit could be the frame time:")
	for _, c := range e.Candidates {
		fmt.Fprintf(&b, "\n  %s as %s in %s: %.4g FPS on average over the %d rows looked at", quoteName(c.Column), c.Kind,
			c.Unit, c.AvgFPS, e.Rows)
	}
	b.WriteString("\nchoose one by adding it to the configuration:")
	for _, c := range e.Candidates {
		b.WriteString("\n" + c.TOML(e.Path))
	}
	return b.String()
}

// Summary is the error in one line, without the configuration lines.
func (e *AmbiguousError) Summary() string {
	var ways []string
	for _, c := range e.Candidates {
		ways = append(ways, fmt.Sprintf("%s as %s in %s (%.4g FPS on average)", quoteName(c.Column), c.Kind, c.Unit,
			c.AvgFPS))
	}
	return "more than one column or unit could be the frame time: " + strings.Join(ways, " or ")
}

// Settings returns the configuration lines of each candidate, with what it would give in
// a comment; exactly one of them is to be added to the configuration.
func (e *AmbiguousError) Settings() []string {
	var out []string
	for _, c := range e.Candidates {
		out = append(out, fmt.Sprintf("# %.4g FPS on average over the %d rows looked at\n%s", c.AvgFPS, e.Rows,
			c.TOML(e.Path)))
	}
	return out
}

func quoteName(s string) string { return fmt.Sprintf("%q", s) }

// TOML returns the configuration lines that declare this reading for logs whose path
// ends like the given one.
func (c Candidate) TOML(path string) string {
	column := c.Column
	if isPosition(column) {
		column = fmt.Sprint(c.Position)
	}
	base := path
	if i := strings.LastIndexAny(base, `/\`); i >= 0 {
		base = base[i+1:]
	}
	if i := strings.LastIndexByte(base, '.'); i >= 0 {
		base = "*" + base[i:]
	} else {
		base = "*"
	}
	heading := ""
	if !isPosition(c.Column) && !strings.ContainsAny(c.Column, `"'\`) {
		heading = fmt.Sprintf("heading = %q\n", c.Column) // else logs of other kinds would be bound as well
	}
	return fmt.Sprintf("[[layout]]\nname = %q\npath = %q\n%scolumn = %q\nkind = %q\nunit = %q", c.Kind+" in "+column,
		base, heading, column, c.Kind, c.Unit)
}

func isPosition(s string) bool {
	rest, ok := strings.CutPrefix(s, "column ")
	if !ok || rest == "" {
		return false
	}
	for _, r := range rest {
		if r < '0' || r > '9' {
			return false
		}
	}
	return true
}
