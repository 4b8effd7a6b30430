package main

import (
	"fmt"
	"io"
	"os"
	"sort"
	"strings"

	"capd.example/framelog"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"github.com/jedib0t/go-pretty/v6/table"
)

type layoutCmd struct {
	Program string `placeholder:"NAME" help:"Program whose rows are used where the log holds several."`
	File    string `arg:"" help:"Log to explain."`
}

// Run explains how a log is read, also where reading fails half-way.
func (c *layoutCmd) Run(a *app) error {
	if info, err := os.Stat(c.File); err == nil && info.IsDir() {
		return cli.UsageError(fmt.Errorf("%s is a folder, not a log", c.File), "name one of its logs", "type: capctl measure "+quoted(c.File))
	}
	opt := readOptions(a.config)
	opt.Program = c.Program
	e, err := framelog.Explain(c.File, opt)
	if len(e.Columns) > 0 {
		if werr := writeExplanation(a.stdout, e, err == nil); werr != nil {
			return cli.FailedError(fmt.Errorf("write: %w", werr))
		}
	}
	if err != nil {
		return cli.FailedError(fmt.Errorf("%s: %s", c.File, reasonOf(err)))
	}
	return nil
}

func writeExplanation(out io.Writer, e framelog.Explanation, read bool) error {
	var b strings.Builder
	l := e.Reading.Layout
	say := func(what, value string) {
		if value != "" {
			fmt.Fprintf(&b, "%-12s %s\n", what, value)
		}
	}
	if read {
		say("read as", fmt.Sprintf("%s column %q in %s", l.Source, l.Column, l.Unit))
		say("gives", fmt.Sprintf("%s, %.6g s, %.6g FPS on average", record.Count(len(e.Reading.Frames.MS), "frame"), e.Reading.Frames.TotalMS()/1000, 1000*float64(len(e.Reading.Frames.MS))/e.Reading.Frames.TotalMS()))
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
		rows = append(rows, table.Row{c.Position, printable(c.Name), c.Looks, c.Used})
	}
	output.Table(out, table.Row{"column", "heading", "looks like", "used for"}, rows)
	rows = nil
	for _, r := range e.Rows {
		ms := fmt.Sprintf("%.9g", r.MS)
		if r.MS == 0 {
			ms = r.Wrong
		}
		rows = append(rows, table.Row{r.Line, ms, printable(strings.Join(r.Cells, " | "))})
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
