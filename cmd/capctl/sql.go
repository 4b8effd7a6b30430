package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/store"
	"capd.example/store/export"
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
		return cli.UsageError(errors.New("a terminal cannot show --format parquet"), "write it into a file: capctl sql --format parquet '...' > FILE.parquet")
	}
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(a.ctx, c.Timeout)
	defer cancel()
	ended, running := make(chan error, 1), true
	go func() { ended <- c.run(ctx, s, text, a.stdout) }()
	select {
	case err = <-ended:
		running = false
	case <-ctx.Done():
		select {
		case err = <-ended:
			running = false
		case <-time.After(grace):
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
		return cli.UsageError(err, hints(a.ctx, s, text, err)...)
	case ctx.Err() == context.DeadlineExceeded:
		return cli.FailedError(fmt.Errorf("the query was stopped after %s", c.Timeout), "allow more time with --timeout, or ask for less")
	}
	return cli.FailedError(err)
}

// grace is how long a query may take to stop. The database does not stop within one call of
// a function, such as a search in a very long text; then the program ends without it.
const grace = time.Second

func (c *sqlCmd) run(ctx context.Context, s *store.Store, text string, to io.Writer) error {
	rows, err := s.Query(ctx, text)
	if err != nil {
		return err
	}
	defer rows.Close()
	out := bufio.NewWriterSize(to, 1<<16)
	switch c.Format {
	case "csv":
		err = writeCSV(out, rows, c.Raw)
	case "jsonl":
		err = writeJSONL(out, rows)
	case "parquet":
		err = export.Rows(out, rows.Columns, rows.Next)
	default:
		err = writeTable(out, rows, c.Format == "markdown")
	}
	if err != nil {
		return err
	}
	return out.Flush()
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
		return nil, cli.UsageError(fmt.Errorf("open store: %s is a file, not a folder", a.config.Data), "--data and data in the configuration name the folder of the store")
	}
	return nil, cli.FailedError(err)
}

func writeCSV(w io.Writer, rows *store.Rows, raw bool) error {
	out := csv.NewWriter(w)
	heads := make([]string, len(rows.Columns))
	for i, h := range rows.Columns {
		heads[i] = export.SafeCell(h, raw)
	}
	if err := out.Write(heads); err != nil {
		return err
	}
	line := make([]string, len(rows.Columns))
	err := eachRow(rows, func(row []any) error {
		for i, v := range row {
			line[i] = plain(v)
			if _, isText := v.(string); isText {
				line[i] = export.SafeCell(line[i], raw)
			}
		}
		return out.Write(line)
	})
	out.Flush()
	if err == nil {
		err = out.Error()
	}
	return err
}

func writeJSONL(w io.Writer, rows *store.Rows) error {
	enc := json.NewEncoder(safe.Escaped(w))
	enc.SetEscapeHTML(false)
	return eachRow(rows, func(row []any) error {
		// Written by hand, since a map would lose the order of the columns.
		var b strings.Builder
		b.WriteByte('{')
		for i, v := range row {
			if i > 0 {
				b.WriteByte(',')
			}
			if f, ok := v.(float64); ok && (math.IsNaN(f) || math.IsInf(f, 0)) {
				v = nil
			}
			key, err := json.Marshal(rows.Columns[i])
			if err != nil {
				return err
			}
			value, err := json.Marshal(v)
			if err != nil {
				return err
			}
			b.Write(key)
			b.WriteByte(':')
			b.Write(value)
		}
		b.WriteByte('}')
		return enc.Encode(json.RawMessage(b.String()))
	})
}

func writeTable(w io.Writer, rows *store.Rows, markdown bool) error {
	head := make(table.Row, len(rows.Columns))
	for i, c := range rows.Columns {
		head[i] = printable(c)
	}
	var list []table.Row
	err := eachRow(rows, func(row []any) error {
		cells := make(table.Row, len(row))
		for i, v := range row {
			cells[i] = printable(plain(v))
		}
		list = append(list, cells)
		return nil
	})
	if err != nil {
		return err
	}
	if markdown {
		return output.Markdown(w, head, list)
	}
	return output.Table(w, head, list)
}

func eachRow(rows *store.Rows, fn func([]any) error) error {
	for {
		row, err := rows.Next()
		if err != nil || row == nil {
			return err
		}
		if err := fn(row); err != nil {
			return err
		}
	}
}

// plain writes a value of the database; numbers so that they read back the same.
func plain(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case []byte:
		return fmt.Sprintf("%x", x)
	}
	return fmt.Sprint(v)
}

// printable makes a word from outside fit for one line of a terminal.
func printable(s string) string { return safe.Plain(s) }
