// Package output writes results: tables for people, JSON, CSV and Markdown for programs and
// documents. Every text goes through the cleaner of [text] on its way, since names come from
// logs, other programs and other people.
package output

import (
	"encoding/json"
	"fmt"
	"io"
	"regexp"
	"strings"
	"unicode/utf8"

	"github.com/jedib0t/go-pretty/v6/table"
	align "github.com/jedib0t/go-pretty/v6/text"

	"capd.example/internal/cli"
	"capd.example/internal/text"
)

// Row holds the cells of a line of a table; one that is no text is printed by fmt.
type Row = table.Row

// Table writes rows under headings for people: numbers to the right, no blanks at the ends
// of lines, and on a terminal a last column of text cut to its width.
func Table(w io.Writer, headings Row, rows []Row) error {
	t := newTable(headings)
	var columns []table.ColumnConfig
	for i := range headings {
		if numeric(rows, i) {
			columns = append(columns, table.ColumnConfig{Number: i + 1, Align: align.AlignRight, AlignHeader: align.AlignRight})
		}
	}
	t.SetColumnConfigs(columns)
	for _, r := range rows {
		t.AppendRow(plain(r))
	}
	width := cli.Width(w)
	if numeric(rows, len(headings)-1) {
		width = 0 // half a row of figures is worse than a broken line
	}
	for _, line := range strings.Split(t.Render(), "\n") {
		line = strings.TrimRight(line, " ")
		if width > 20 && utf8.RuneCountInString(line) > width {
			line = Shortened(line, width-4)
		}
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}

// Markdown writes a Markdown table.
func Markdown(w io.Writer, headings Row, rows []Row) error {
	line := func(r Row) string {
		cells := make([]string, len(r))
		for i, v := range r {
			cells[i] = SafeMarkdown(fmt.Sprint(v))
		}
		return "| " + strings.Join(cells, " | ") + " |\n"
	}
	var b strings.Builder
	b.WriteString(line(headings))
	b.WriteString("|" + strings.Repeat(" --- |", len(headings)) + "\n")
	for _, r := range rows {
		b.WriteString(line(r))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// SafeMarkdown keeps a text from ending its cell or becoming markup.
func SafeMarkdown(s string) string { return markup.Replace(text.Plain(s)) }

var markup = strings.NewReplacer("\\", "\\\\", "|", "\\|", "<", "&lt;", ">", "&gt;", "&", "&amp;",
	"`", "\\`", "*", "\\*", "_", "\\_", "[", "\\[")

// JSON writes v as one object on a line of its own; <, > and & stay as they are, and what
// could steer a terminal is escaped.
func JSON(w io.Writer, v any) error {
	enc := json.NewEncoder(text.Escaped(w))
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// Shortened cuts a text to so many characters, at a blank, and says that there was more.
func Shortened(s string, limit int) string {
	if utf8.RuneCountInString(s) <= limit {
		return s
	}
	cut := string([]rune(s)[:limit])
	if i := strings.LastIndexByte(cut, ' '); i > 0 {
		cut = cut[:i]
	}
	return cut + " ..."
}

// plain makes what stands in a row fit for a terminal, whoever wrote it.
func plain(r Row) Row {
	out := make(Row, len(r))
	for i, cell := range r {
		switch cell.(type) {
		case nil:
		case int, int64, uint64, float64, bool:
			out[i] = cell
		default:
			out[i] = text.Plain(fmt.Sprint(cell))
		}
	}
	return out
}

// newTable returns a table without a frame.
func newTable(headings Row) table.Writer {
	w := table.NewWriter()
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Format.Header = 0
	w.SetStyle(style)
	w.AppendHeader(plain(headings))
	return w
}

var number = regexp.MustCompile(`^[-+]?[0-9.,]+( ?%)?\*?$`)

// numeric reports whether a column holds numbers: at least one, and else nothing but blanks
// and dashes.
func numeric(rows []Row, column int) bool {
	seen := false
	for _, r := range rows {
		if column >= len(r) {
			continue
		}
		switch s := strings.TrimSpace(fmt.Sprint(r[column])); {
		case number.MatchString(s):
			seen = true
		case s != "" && s != "-":
			return false
		}
	}
	return seen
}

// Values joins values that were seen; one that is empty is unknown.
func Values(list []string) string {
	for i, v := range list {
		if v == "" {
			list[i] = "unknown"
		}
	}
	return strings.Join(list, ", ")
}
