package main

import (
	"fmt"
	"os"

	"capd.example/framelog"
	"capd.example/internal/cli"
	"capd.example/internal/logbatch"
)

type layoutCmd struct {
	Program string `placeholder:"NAME" help:"Program whose rows are used where the log holds several."`
	File    string `arg:"" help:"Log to explain."`
}

// Run explains how a log is read, also where reading fails half-way.
func (c *layoutCmd) Run(a *app) error {
	if info, err := os.Stat(c.File); err == nil && info.IsDir() {
		return cli.UsageError(fmt.Errorf("%s is a folder, not a log", c.File), "name one of its logs",
			"type: capctl measure "+quoted(c.File))
	}
	opt := readOptions(a.config)
	opt.Program = c.Program
	e, err := framelog.Explain(c.File, opt)
	if len(e.Columns) > 0 {
		if werr := logbatch.Explain(a.stdout, e, err == nil); werr != nil {
			return cli.FailedError(fmt.Errorf("write: %w", werr))
		}
	}
	if err != nil {
		return cli.FailedError(fmt.Errorf("%s: %s", c.File, logbatch.ReasonOf(err)))
	}
	return nil
}
