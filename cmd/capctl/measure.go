package main

import (
	"errors"
	"fmt"
	"io/fs"

	safe "capd.example/internal/text"

	"capd.example/config"
	"capd.example/framelog"
	"capd.example/framelog/parquetlog"
	"capd.example/internal/cli"
	"capd.example/internal/logbatch"
	"capd.example/record"
)

type measureCmd struct {
	JSON    bool     `help:"One JSON object per log on standard output."`
	Program string   `placeholder:"NAME" help:"Program whose rows are used where a log holds several."`
	Files   []string `arg:"" name:"file" help:"Logs to read; a folder stands for all logs in it."`
	moreFlags
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
	show := logbatch.NewTable(a.stdout, a.stderr)
	if c.JSON {
		show = logbatch.NewLines(a.stdout)
	}
	failed, missing, nameless := 0, 0, 0
	bar := logbatch.NewProgress(a.stderr, len(files))
	err = logbatch.Measure(a.ctx, files, opt, more, func(i int, m logbatch.Log) error {
		if m.Err != nil {
			failed++
			if errors.Is(m.Err, fs.ErrNotExist) {
				missing++
			}
		} else if m.Layout.Program == "" {
			nameless++
		}
		bar.At(i + 1)
		return show.Add(m)
	})
	bar.Clear()
	if err == nil {
		err = show.End()
	}
	if c.Program != "" && nameless > 0 {
		safe.Fprintf(a.stderr,
			"capctl: note: %s of %d without names of programs, so --program does not apply and all rows count\n",
			record.Count(nameless, "log"), len(files))
	}
	switch {
	case err != nil:
		return cli.FailedError(fmt.Errorf("measure: %w", err))
	case failed > 0 && missing == failed:
		return cli.FailedError(fmt.Errorf("%d of %s could not be read: no such file", failed,
			record.Count(len(files), "log")))
	case failed > 0:
		return cli.FailedError(fmt.Errorf("%d of %s could not be read", failed, record.Count(len(files), "log")),
			"'capctl layout FILE' shows how a log is understood")
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
