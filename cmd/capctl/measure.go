package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/config"
	"capd.example/framelog"
	"capd.example/framelog/parquetlog"
	"capd.example/internal/cli"
	"capd.example/internal/logbatch"
	"capd.example/internal/output"
	"capd.example/record"
)

type measureCmd struct {
	JSON    bool     `help:"One JSON object per log on standard output."`
	Program string   `placeholder:"NAME" help:"Program whose rows are used where a log holds several."`
	Files   []string `arg:"" name:"file" help:"Logs to read; a folder stands for all logs in it."`
	moreFlags
}

// unread is the line of a log that could not be read.
type unread struct {
	File  string `json:"file"`
	Error string `json:"error"`
}

// Run reads the logs on all cores and prints their figures in the order of the arguments.
func (c *measureCmd) Run(a *app) error {
	more, err := c.options()
	if err != nil {
		return err
	}
	opt := readOptions(a.config)
	opt.Program = c.Program
	opt.NoHash = !c.JSON // the table does not show it
	files, err := logbatch.Find(c.Files, a.config.Files.Patterns)
	var none *logbatch.NoLogsError
	if errors.As(err, &none) {
		return cli.UsageError(err, "name the files, or add a pattern to files.patterns in the configuration")
	} else if err != nil {
		return cli.FailedError(err)
	}
	show := printer(&measuredTable{out: a.stdout, messages: a.stderr})
	if c.JSON {
		show = &measuredLines{enc: json.NewEncoder(safe.Escaped(a.stdout))}
	}
	failed, missing, nameless := 0, 0, 0
	bar := progress{out: a.stderr, total: len(files), on: cli.IsTerminal(a.stderr) && len(files) > 1}
	err = logbatch.Measure(a.ctx, files, opt, more, func(i int, m logbatch.Log) error {
		if m.Err != nil {
			failed++
			if errors.Is(m.Err, fs.ErrNotExist) {
				missing++
			}
		} else if m.Layout.Program == "" {
			nameless++
		}
		bar.at(i + 1)
		return show.add(m)
	})
	bar.clear()
	if err == nil {
		err = show.end()
	}
	if c.Program != "" && nameless > 0 {
		safe.Fprintf(a.stderr, "capctl: note: %s of %d without names of programs, so --program does not apply and all rows count\n", record.Count(nameless, "log"), len(files))
	}
	switch {
	case err != nil:
		return cli.FailedError(fmt.Errorf("measure: %w", err))
	case failed > 0 && missing == failed:
		return cli.FailedError(fmt.Errorf("%d of %s could not be read: no such file", failed, record.Count(len(files), "log")))
	case failed > 0:
		return cli.FailedError(fmt.Errorf("%d of %s could not be read", failed, record.Count(len(files), "log")), "'capctl layout FILE' shows how a log is understood")
	}
	return nil
}

// readOptions turns the configuration into what the reader of logs needs.
func readOptions(c config.Config) framelog.Options {
	opt := framelog.Options{Formats: []framelog.Format{parquetlog.Format}}
	for _, l := range c.Layouts {
		opt.Layouts = append(opt.Layouts, framelog.Declared(l))
	}
	return opt
}

// printer shows results one after another.
type printer interface {
	add(m logbatch.Log) error
	end() error
}

type measuredLines struct{ enc *json.Encoder }

func (p *measuredLines) add(m logbatch.Log) error {
	p.enc.SetEscapeHTML(false)
	if m.Err != nil {
		return p.enc.Encode(unread{m.File, reasonOf(m.Err)})
	}
	return p.enc.Encode(m)
}

func (p *measuredLines) end() error { return nil }

// reasonOf leaves the path out of system errors: it stands beside them already.
func reasonOf(err error) string {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Op + ": " + p.Err.Error()
	}
	return err.Error()
}

type measuredTable struct {
	out, messages   io.Writer
	rows            []table.Row
	all             []logbatch.Log // for the figures on request
	unread, remarks notes
	read            int
}

func (p *measuredTable) add(m logbatch.Log) error {
	if m.Err != nil {
		p.rows = append(p.rows, table.Row{m.File, "not read"})
		p.unread.add(m.File, reasonOf(m.Err))
		return nil
	}
	p.read++
	if m.More != nil {
		p.all = append(p.all, m)
	}
	p.rows = append(p.rows, table.Row{
		m.File, m.Frames, fixed(m.DurationS, 2), fixed(m.AvgFPS, 2), fixed(m.Low1FPS, 2), fixed(m.Low01FPS, 2), fixed(m.Low1TimeFPS, 2),
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

func (p *measuredTable) end() error {
	if err := p.unread.print(p.messages, "capctl: "); err != nil {
		return err
	}
	if err := p.remarks.print(p.messages, "capctl: note: "); err != nil {
		return err
	}
	if p.read == 0 {
		return nil // why is said; there is no figure to define
	}
	output.Table(p.out, table.Row{"log", "frames", "s", "avg FPS", "1% low", "0.1% low", "1% low by time", "p99 FPS", "median ms", "longest ms", "hitches"}, p.rows)
	_, err := fmt.Fprintln(p.out, "\navg FPS = frames / sum of frame times; 1% low and 0.1% low = rate over the slowest ceil(0.01 n) and\nceil(0.001 n) frames; by time = rate at the frame where the slowest have filled 1 % of the time;\np99 FPS = 1000 / 99th percentile of the frame times (Hyndman-Fan type 7).")
	if err == nil {
		err = printMore(p.out, p.all)
	}
	return err
}

// progress is a counter line on a terminal.
type progress struct {
	out   io.Writer
	total int
	on    bool
}

func (p *progress) at(n int) {
	if p.on && (n%16 == 0 || p.total < 64) {
		fmt.Fprintf(p.out, "\r%d of %s", n, record.Count(p.total, "log"))
	}
}

func (p *progress) clear() {
	if p.on {
		fmt.Fprintf(p.out, "\r%s\r", strings.Repeat(" ", 40))
	}
}
