package logbatch

import (
	"fmt"
	"io"
	"sort"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/framelog"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// Explain says for people how a log is understood, with its first rows.
func Explain(out io.Writer, e framelog.Explanation, read bool) error {
	var b strings.Builder
	l := e.Reading.Layout
	say := func(what, value string) {
		if value != "" {
			fmt.Fprintf(&b, "%-12s %s\n", what, value)
		}
	}
	if read {
		say("read as", fmt.Sprintf("%s column %q in %s", l.Source, l.Column, l.Unit))
		say("gives", fmt.Sprintf("%s, %.6g s, %.6g FPS on average", record.Count(len(e.Reading.Frames.MS), "frame"),
			e.Reading.Frames.TotalMS()/1000, 1000*float64(len(e.Reading.Frames.MS))/e.Reading.Frames.TotalMS()))
		say("declared as", l.Declared)
		say("format", l.Format)
		say("compression", l.Compression)
		say("encoding", l.Encoding)
		say("delimiter", delimiterWords(l.Delimiter))
		say("decimal", map[string]string{".": "point", ",": "comma"}[l.Decimal])
		say("program", l.Program)
	}
	say("line ends", e.LineEnds)
	say("first row", fmt.Sprintf("line %d", e.Preamble+1))
	var keys []string
	for k := range e.Reading.Header {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		say("header", k+": "+e.Reading.Header[k])
	}
	for _, r := range e.Reading.Remarks {
		say("note", remarkText(r))
	}
	if _, err := fmt.Fprintln(out, b.String()); err != nil {
		return err
	}
	var rows []table.Row
	for _, c := range e.Columns {
		rows = append(rows, table.Row{c.Position, safe.Plain(c.Name), c.Looks, c.Used})
	}
	output.Table(out, table.Row{"column", "heading", "looks like", "used for"}, rows)
	rows = nil
	for _, r := range e.Rows {
		ms := fmt.Sprintf("%.9g", r.MS)
		if r.MS == 0 {
			ms = r.Wrong
		}
		rows = append(rows, table.Row{r.Line, ms, safe.Plain(strings.Join(r.Cells, " | "))})
	}
	if _, err := fmt.Fprintln(out); err != nil {
		return err
	}
	output.Table(out, table.Row{"line", "frame time, ms", "cells"}, rows)
	return nil
}

func delimiterWords(d string) string {
	switch d {
	case "":
		return "none, one column"
	case "\t":
		return "tab"
	case " ":
		return "white space"
	}
	return d
}
