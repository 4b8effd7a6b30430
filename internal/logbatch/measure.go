package logbatch

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// Unread is the line of a log that could not be read.
type Unread struct {
	File  string `json:"file"`
	Error string `json:"error"`
}

// Printer shows results one after another.
type Printer interface {
	Add(m Log) error
	End() error
}

// NewTable shows results as a table, and what is to be said of logs as messages.
func NewTable(out, messages io.Writer) Printer {
	return &measuredTable{out: out, messages: messages}
}

// NewLines shows each result as an object of JSON.
func NewLines(out io.Writer) Printer {
	return &measuredLines{enc: json.NewEncoder(safe.Escaped(out))}
}

type measuredLines struct{ enc *json.Encoder }

func (p *measuredLines) Add(m Log) error {
	p.enc.SetEscapeHTML(false)
	if m.Err != nil {
		return p.enc.Encode(Unread{m.File, ReasonOf(m.Err)})
	}
	return p.enc.Encode(m)
}

func (p *measuredLines) End() error { return nil }

// ReasonOf leaves the path out of system errors: it stands beside them already.
func ReasonOf(err error) string {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Op + ": " + p.Err.Error()
	}
	return err.Error()
}

type measuredTable struct {
	out, messages   io.Writer
	rows            []table.Row
	all             []Log // for the figures on request
	unread, remarks notes
	read            int
}

func (p *measuredTable) Add(m Log) error {
	if m.Err != nil {
		p.rows = append(p.rows, table.Row{m.File, "not read"})
		p.unread.add(m.File, ReasonOf(m.Err))
		return nil
	}
	p.read++
	if m.More != nil {
		p.all = append(p.all, m)
	}
	p.rows = append(p.rows, table.Row{
		m.File, m.Frames, fixed(m.DurationS, 2), fixed(m.AvgFPS, 2), fixed(m.Low1FPS, 2), fixed(m.Low01FPS, 2),
		fixed(m.Low1TimeFPS, 2),
		fixed(m.P99FPS, 2), fixed(m.MedianMS, 3), fixed(m.MaxMS, 3), m.Hitches,
	})
	for _, r := range m.Remarks {
		p.remarks.add(m.File, remarkText(r))
	}
	return nil
}

func remarkText(r record.Remark) string {
	if r.Line > 0 {
		return fmt.Sprintf("line %d: %s", r.Line, r.Text)
	}
	return r.Text
}

func fixed(x float64, digits int) string { return fmt.Sprintf("%.*f", digits, x) }

func (p *measuredTable) End() error {
	if err := p.unread.print(p.messages, "capctl: "); err != nil {
		return err
	}
	if err := p.remarks.print(p.messages, "capctl: note: "); err != nil {
		return err
	}
	if p.read == 0 {
		return nil // why is said; there is no figure to define
	}
	output.Table(p.out, table.Row{"log", "frames", "s", "avg FPS", "1% low", "0.1% low", "1% low by time", "p99 FPS",
		"median ms", "longest ms", "hitches"}, p.rows)
	_, err := fmt.Fprintln(p.out,
		"\navg FPS = frames / sum of frame times; 1% low and 0.1% low = rate over the slowest ceil(0.01 n) and\nceil(0.001 n) frames; by time = rate at the frame where the slowest have filled 1 % of the time;\np99 FPS = 1000 / 99th percentile of the frame times (Hyndman-Fan type 7).")
	if err == nil {
		err = printMore(p.out, p.all)
	}
	return err
}

// Progress is a counter line on a terminal.
type Progress struct {
	out   io.Writer
	total int
	on    bool
}

// NewProgress counts on a terminal how many of the logs are read.
func NewProgress(out io.Writer, logs int) *Progress {
	return &Progress{out: out, total: logs, on: cli.IsTerminal(out) && logs > 1}
}

// At says how many are read.
func (p *Progress) At(n int) {
	if p.on && (n%16 == 0 || p.total < 64) {
		fmt.Fprintf(p.out, "\r%d of %s", n, record.Count(p.total, "log"))
	}
}

// Clear takes the counter from the terminal.
func (p *Progress) Clear() {
	if p.on {
		fmt.Fprintf(p.out, "\r%s\r", strings.Repeat(" ", 40))
	}
}
