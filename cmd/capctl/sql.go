package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"capd.example/internal/rawsql"
	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/store"
)

// sqlCmd is `capctl sql`.
type sqlCmd struct {
	Query   string        `arg:"" help:"One SELECT over the views passes, tags, findings, cells, systems, frames, telemetry, corrections, figures; - reads it from standard input."`
	Format  string        `enum:"table,csv,jsonl,markdown,parquet" default:"table" help:"Form of the output: ${enum}."`
	JSON    bool          `name:"json" help:"One JSON object per line, as --format jsonl."`
	Timeout time.Duration `default:"30s" help:"Stop the query after this time."`
	Raw     bool          `help:"CSV: leave texts that a spreadsheet takes for formulas as they are."`
}

func (c *sqlCmd) Run(a *app) error {
	text := c.Query
	if text == "-" {
		in, err := io.ReadAll(io.LimitReader(a.stdin, 1<<20))
		if err != nil {
			return cli.FailedError(fmt.Errorf("read the query: %w", err))
		}
		text = string(in)
	}
	if c.JSON {
		if c.Format != "table" && c.Format != "jsonl" {
			return cli.UsageError(fmt.Errorf("--json and --format %s are two forms", c.Format), "leave one of them out")
		}
		c.Format = "jsonl"
	}
	if c.Timeout <= 0 {
		return cli.UsageError(fmt.Errorf("--timeout %s is not a time", c.Timeout))
	}
	if c.Format == "parquet" && cli.IsTerminal(a.stdout) {
		return cli.UsageError(errors.New("a terminal cannot show --format parquet"),
			"write it into a file: capctl sql --format parquet '...' > FILE.parquet")
	}
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(a.ctx, c.Timeout)
	defer cancel()
	ended, running := make(chan error, 1), true
	go func() { ended <- rawsql.Answer(ctx, s, text, a.stdout, c.Format, c.Raw) }()
	select {
	case err = <-ended:
		running = false
	case <-ctx.Done():
		select {
		case err = <-ended:
			running = false
		case <-time.After(rawsql.Grace):
			err = ctx.Err()
		}
	}
	if !running { // else closing would wait for it
		defer s.Close()
	}
	switch {
	case err == nil:
		return nil
	case errors.Is(err, store.ErrForbidden):
		return cli.UsageError(err, "docs/store.md describes the views and their columns")
	case errors.Is(err, store.ErrStatement):
		return cli.UsageError(err, rawsql.Hints(a.ctx, s, text, err)...)
	case ctx.Err() == context.DeadlineExceeded:
		return cli.FailedError(fmt.Errorf("the query was stopped after %s", c.Timeout),
			"allow more time with --timeout, or ask for less")
	}
	return cli.FailedError(err)
}

// openToRead opens the store for a command that only reads.
func openToRead(a *app) (*store.Store, error) {
	return openStore(a, true)
}

// openStore opens a store that is there: a mistyped --data must not leave an empty one.
func openStore(a *app, readOnly bool) (*store.Store, error) {
	if !readOnly {
		if _, err := os.Stat(a.config.StoreFile()); errors.Is(err, fs.ErrNotExist) {
			readOnly = true // which says what is missing
		}
	}
	return open(a, store.Options{ReadOnly: readOnly})
}

// openOrMakeStore is for what can come before the agent's first run.
func openOrMakeStore(a *app) (*store.Store, error) { return open(a, store.Options{}) }

func open(a *app, opt store.Options) (*store.Store, error) {
	s, err := store.Open(a.ctx, a.config.StoreFile(), opt)
	switch {
	case err == nil:
		return s, nil
	case errors.Is(err, store.ErrNoStore):
		return nil, cli.FailedError(err, "'capd run' makes the store when it starts", "--data DIR names another folder")
	case errors.Is(err, store.ErrCorrupt):
		return nil, cli.FailedError(err, "`capctl verify` lists what is damaged")
	}
	if info, serr := os.Stat(a.config.Data); serr == nil && !info.IsDir() {
		return nil, cli.UsageError(fmt.Errorf("open store: %s is a file, not a folder", a.config.Data),
			"--data and data in the configuration name the folder of the store")
	}
	return nil, cli.FailedError(err)
}

// printable makes a word from outside fit for one line of a terminal.
func printable(s string) string { return safe.Plain(s) }
