package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"reflect"
	"regexp"
	"strings"
	"unicode/utf8"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"golang.org/x/term"
)

// printTable prints rows under headings for people: numbers to the right, no blanks at
// the ends of lines, and on a terminal a last column of text cut to its width.
func printTable(w io.Writer, headings table.Row, rows []table.Row) {
	t := plainTable(headings...)
	var columns []table.ColumnConfig
	for i := range headings {
		if numeric(rows, i) {
			columns = append(columns, table.ColumnConfig{Number: i + 1, Align: text.AlignRight, AlignHeader: text.AlignRight})
		}
	}
	t.SetColumnConfigs(columns)
	for _, r := range rows {
		t.AppendRow(plainRow(r))
	}
	width := terminalWidth(w)
	if numeric(rows, len(headings)-1) {
		width = 0 // half a row of figures is worse than a broken line
	}
	for _, line := range strings.Split(t.Render(), "\n") {
		line = strings.TrimRight(line, " ")
		if width > 20 && utf8.RuneCountInString(line) > width {
			line = shortened(line, width-4)
		}
		fmt.Fprintln(w, line)
	}
}

// plainRow makes what stands in a row fit for a terminal, whoever wrote it.
func plainRow(r table.Row) table.Row {
	out := make(table.Row, len(r))
	for i, cell := range r {
		if out[i] = cell; cell != nil {
			if s, isText := cell.(string); isText {
				out[i] = safe.Plain(s)
			} else if v := reflect.ValueOf(cell); v.Kind() == reflect.String {
				out[i] = safe.Plain(v.String())
			}
		}
	}
	return out
}

// nothing says what a command did not find, and what to do, in place of an empty table.
func nothing(a *app, what, do string) { a.say("%s: %s", what, do) }

// plainTable returns a table without frame for text output.
func plainTable(headings ...any) table.Writer {
	w := table.NewWriter()
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Format.Header = 0
	w.SetStyle(style)
	w.AppendHeader(table.Row(headings))
	return w
}

var numberText = regexp.MustCompile(`^[-+]?[0-9.,]+( ?%)?\*?$`)

// numeric reports whether a column holds numbers: at least one, and else nothing but
// blanks and dashes.
func numeric(rows []table.Row, column int) bool {
	seen := false
	for _, r := range rows {
		if column >= len(r) {
			continue
		}
		switch s := strings.TrimSpace(fmt.Sprint(r[column])); {
		case numberText.MatchString(s):
			seen = true
		case s != "" && s != "-":
			return false
		}
	}
	return seen
}

// terminalWidth returns the columns of a terminal, 0 for anything else.
func terminalWidth(w io.Writer) int {
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

// jsonLine prints one object on a line of its own.
func jsonLine(w io.Writer, v any) error {
	enc := json.NewEncoder(safe.Escaped(w))
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}
