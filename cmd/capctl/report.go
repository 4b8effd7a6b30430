package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/report"
)

// reportCmd is `capctl report`.
type reportCmd struct {
	Out      string    `required:"" placeholder:"DIR" help:"Folder to write into; it is made, files of an earlier report are replaced."`
	Title    string    `default:"Bench report" placeholder:"TEXT" help:"Heading of the page."`
	Prices   string    `placeholder:"FILE" help:"Price list (see 'capctl value')."`
	PriceBy  string    `default:"gpu" placeholder:"FACTOR" help:"The factor whose parts have prices."`
	Hz       []float64 `placeholder:"HZ" default:"60,120,144" help:"Refresh rates to judge by."`
	Trace    []string  `placeholder:"PASS" help:"Passes whose frame times are drawn (default: of the cell whose passes differ most)."`
	Pictures int       `default:"8" placeholder:"N" help:"How many charts are also drawn as PNG, each in 1920x1080 and 3840x2160."`
	filterFlags
	analysisFlags
}

func (c *reportCmd) Run(a *app) error {
	in, err := c.input(a)
	if err != nil {
		return err
	}
	r, err := report.Build(in)
	if err != nil {
		return cli.UsageError(err)
	}
	files, size := 0, 0
	err = r.Files(func(path string, data []byte) error {
		files++
		size += len(data)
		to := filepath.Join(c.Out, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			return err
		}
		return os.WriteFile(to, data, 0o666)
	})
	if err != nil {
		return cli.FailedError(fmt.Errorf("write the report: %w", err))
	}
	c.markUsed(a, in.Passes)
	fmt.Fprintf(a.stderr, "capctl: %s of %s, %s, %.1f MB; open %s\n", record.Count(len(r.Cells), "cell"), record.Count(len(in.Passes), "pass"), record.Count(files, "file"), float64(size)/1e6, filepath.Join(c.Out, "index.html"))
	return nil
}

// markUsed notes the passes of a written report, so that 'capctl retain' leaves them
// whole. A lab's passes lie on their benches, which do not know of the report. That the
// store cannot be written to takes nothing from the report.
func (c *reportCmd) markUsed(a *app, passes []record.Pass) {
	if a.lab != "" {
		return
	}
	folder, err := filepath.Abs(c.Out)
	if err != nil {
		folder = c.Out
	}
	ids := make([]string, len(passes))
	for i, p := range passes {
		ids[i] = p.ID
	}
	s, err := openStore(a, false)
	if err == nil {
		defer s.Close()
		err = s.MarkUsed(a.ctx, ids, folder)
	}
	if err != nil {
		fmt.Fprintf(a.stderr, "capctl: 'capctl retain' will not know that this report uses its passes: %v\n", err)
	}
}

func (c *reportCmd) input(a *app) (report.Input, error) {
	in := report.Input{Title: c.Title, Version: cli.Version(), At: time.Now(), PriceBy: c.PriceBy, RefreshHz: c.Hz, Pictures: c.Pictures}
	for _, hz := range c.Hz {
		if !(hz > 0) {
			return in, cli.UsageError(fmt.Errorf("--hz %g is no refresh rate", hz))
		}
	}
	var err error
	if in.Passes, err = c.passes(a); err != nil {
		return in, err
	}
	in.Options = c.options(a)
	if !c.Alone {
		if in.Options.History, err = (filterFlags{}).passes(a); err != nil {
			return in, err
		}
	}
	if c.Prices != "" {
		if in.Prices, err = readPrices(c.Prices); err != nil {
			return in, err
		}
	}
	if in.Systems, err = systemsOf(a, in.Passes); err != nil {
		return in, err
	}
	cells := analysis.Cells(in.Passes, in.Options)
	if in.Loads, err = loadsOf(a, cells); err != nil {
		return in, err
	}
	in.Traces, err = c.traces(a, cells)
	return in, err
}

// traces reads the frame times of the chosen passes.
func (c *reportCmd) traces(a *app, cells []analysis.Cell) ([]report.Trace, error) {
	ids := c.Trace
	if len(ids) == 0 {
		ids = widest(cells)
	}
	var out []report.Trace
	err := withStore(a, func(ctx context.Context, s reader) error {
		for _, id := range ids {
			p, err := s.Pass(ctx, id)
			if err != nil {
				return cli.UsageError(fmt.Errorf("--trace %s: %w", id, err))
			}
			f, err := s.Frames(ctx, p.ID)
			if err != nil {
				return cli.FailedError(fmt.Errorf("frame times of pass %s: %w", p.ID, err))
			}
			out = append(out, report.Trace{Pass: p, MS: f.MS})
		}
		return nil
	})
	return out, err
}

// widest returns the passes of the cell whose 1% lows differ most, three at most.
func widest(cells []analysis.Cell) []string {
	var best analysis.Cell
	cv := -1.0
	for _, c := range cells {
		if v := float64(c.Figure(analysis.Low1).CV); v > cv {
			best, cv = c, v
		}
	}
	var out []string
	for _, u := range best.Passes.Used {
		out = append(out, u.ID)
	}
	return slices.Clip(out[:min(len(out), 3)])
}
