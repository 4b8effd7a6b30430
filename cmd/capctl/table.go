package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
)

// printTable prints rows under headings for people, without blanks at the ends of lines.
func printTable(w io.Writer, headings table.Row, rows []table.Row) {
	t := plainTable(headings...)
	t.AppendRows(rows)
	for _, line := range strings.Split(t.Render(), "\n") {
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}

// jsonLine prints one object on a line of its own.
func jsonLine(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}
