package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"
	"golang.org/x/term"

	"capd.example/config"
	"capd.example/framelog"
	"capd.example/framelog/parquetlog"
	"capd.example/internal/cli"
	"capd.example/metrics"
	"capd.example/record"
)

type measureCmd struct {
	JSON    bool     `help:"One JSON object per log on standard output."`
	Program string   `placeholder:"NAME" help:"Program whose rows are used where a log holds several."`
	Files   []string `arg:"" name:"file" help:"Logs to read; a folder stands for all logs in it."`
	moreFlags
}

// measured is one line of the output.
type measured struct {
	File   string        `json:"file"`
	SHA256 string        `json:"sha256"`
	Layout record.Layout `json:"layout"`
	record.Metrics
	Remarks []record.Remark `json:"remarks,omitempty"`
	More    *metrics.Extra  `json:"more,omitempty"` // figures on request
	err     error
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
	files, err := expand(c.Files, a.config.Files.Patterns)
	if err != nil {
		return err
	}
	show := printer(&measuredTable{out: a.stdout, messages: a.stderr})
	if c.JSON {
		show = &measuredLines{enc: json.NewEncoder(safe.Escaped(a.stdout))}
	}
	failed, missing, nameless := 0, 0, 0
	bar := progress{out: a.stderr, total: len(files), on: isTerminal(a.stderr) && len(files) > 1}
	err = measureAll(a.ctx, files, opt, more, func(i int, m measured) error {
		if m.err != nil {
			failed++
			if errors.Is(m.err, fs.ErrNotExist) {
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
		safe.Fprintf(a.stderr, "capctl: note: %s of %d without names of programs: all rows were used, whatever --program says\n", record.Count(nameless, "log"), len(files))
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

// expand resolves patterns where the shell did not (Windows), and folders to the logs in
// them that match one of patterns; other names stay.
func expand(names, patterns []string) ([]string, error) {
	var out []string
	for _, n := range names {
		info, err := os.Stat(n)
		if err == nil && info.IsDir() {
			logs, err := logsBelow(n, patterns)
			switch {
			case err != nil:
				return nil, cli.FailedError(fmt.Errorf("list the logs: %w", err))
			case len(logs) == 0:
				return nil, cli.UsageError(fmt.Errorf("%s: no file in the folder is called like a log (%s)", n, strings.Join(patterns, " ")), "name the files, or add a pattern to files.patterns in the configuration")
			}
			out = append(out, logs...)
			continue
		}
		if err != nil && strings.ContainsAny(n, "*?[") {
			if found, err := filepath.Glob(n); err == nil && len(found) > 0 {
				out = append(out, found...)
				continue
			}
		}
		out = append(out, n)
	}
	return out, nil
}

// logsBelow lists the files in a folder and those below it that match a pattern.
func logsBelow(folder string, patterns []string) ([]string, error) {
	var out []string
	if real, err := filepath.EvalSymlinks(folder); err == nil && real != filepath.Clean(folder) {
		folder = real // a link to a folder is not walked into by itself
	}
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		for _, p := range patterns {
			if ok, err := filepath.Match(strings.ToLower(p), strings.ToLower(d.Name())); ok || err != nil {
				out = append(out, path)
				return err
			}
		}
		return nil
	})
	return out, err
}

// readOptions turns the configuration into what the reader of logs needs.
func readOptions(c config.Config) framelog.Options {
	opt := framelog.Options{Formats: []framelog.Format{parquetlog.Format}}
	for _, l := range c.Layouts {
		opt.Layouts = append(opt.Layouts, framelog.Declared(l))
	}
	return opt
}

// measureAll reads the files with one reader per core and hands the results on in the
// order of the files.
func measureAll(ctx context.Context, files []string, opt framelog.Options, more *metrics.Options, each func(i int, m measured) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	next := make(chan int)
	slots := make([]chan measured, len(files))
	for i := range slots {
		slots[i] = make(chan measured, 1)
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	for range min(runtime.GOMAXPROCS(0), len(files)) {
		wg.Go(func() {
			var r framelog.Reader
			var c metrics.Computer
			for i := range next {
				slots[i] <- measureOne(&r, &c, files[i], opt, more)
			}
		})
	}
	wg.Go(func() {
		defer close(next)
		for i := range files {
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	})
	for i := range files {
		select {
		case m := <-slots[i]:
			if err := each(i, m); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

func measureOne(r *framelog.Reader, c *metrics.Computer, file string, opt framelog.Options, more *metrics.Options) measured {
	m := measured{File: file}
	reading, digest, err := r.ReadFile(file, opt)
	if err == nil {
		m.SHA256, m.Layout, m.Remarks = digest.SHA256, reading.Layout, reading.Remarks
		m.Metrics, err = c.Compute(reading.Frames)
	}
	if err == nil {
		err = m.addMore(reading.Frames, more)
	}
	m.err = err
	return m
}

// printer shows results one after another.
type printer interface {
	add(m measured) error
	end() error
}

type measuredLines struct{ enc *json.Encoder }

func (p *measuredLines) add(m measured) error {
	p.enc.SetEscapeHTML(false)
	if m.err != nil {
		return p.enc.Encode(unread{m.File, reasonOf(m.err)})
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
	all             []measured // for the figures on request
	unread, remarks notes
	read            int
}

func (p *measuredTable) add(m measured) error {
	if m.err != nil {
		p.rows = append(p.rows, table.Row{m.File, "not read"})
		p.unread.add(m.File, reasonOf(m.err))
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
	printTable(p.out, table.Row{"log", "frames", "s", "avg FPS", "1% low", "0.1% low", "1% low by time", "p99 FPS", "median ms", "longest ms", "hitches"}, p.rows)
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

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
