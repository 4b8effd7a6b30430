package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"runtime/debug"
	"time"

	safe "capd.example/internal/text"
	"capd.example/store"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/internal/results"
	"capd.example/record"
	"capd.example/report"
)

// reportCmd is `capctl report`.
type reportCmd struct {
	Out      string   `required:"" placeholder:"DIR" help:"Folder to write into; it is made, an earlier report in it is replaced."`
	Title    string   `default:"Bench report" placeholder:"TEXT" help:"Heading of the page."`
	Trace    []string `placeholder:"PASS" help:"Passes whose frame times are drawn (default: of the cell whose passes differ most)."`
	Pictures int      `default:"8" placeholder:"N" help:"How many charts are also drawn as PNG, each in 1920x1080 and 3840x2160."`
	wholeFlags
}

// wholeFlags are what every command takes that draws all conclusions at once.
type wholeFlags struct {
	Prices  string    `placeholder:"FILE" help:"Price list (default: the prices of the campaign; see 'capctl value')."`
	PriceBy string    `default:"gpu" placeholder:"FACTOR" help:"The factor whose parts have prices."`
	Hz      []float64 `placeholder:"HZ" default:"60,120,144" help:"Refresh rates to judge by."`
	filterFlags
	analysisFlags
}

func (c *reportCmd) Run(a *app) error {
	// All passes and the whole page are in memory at once; a large campaign needs less of it
	// for the cost of some time.
	debug.SetGCPercent(50)
	if err := isNoFile(c.Out); err != nil {
		return err
	}
	in, err := c.input(a)
	if err != nil {
		return err
	}
	r, err := report.Build(in)
	if err != nil {
		return cli.UsageError(err)
	}
	files, size, err := r.WriteInto(c.Out, a.say)
	if err != nil {
		return cli.FailedError(fmt.Errorf("write the report: %w", err))
	}
	c.markUsed(a, in.Passes)
	safe.Fprintf(a.stderr, "capctl: %s of %s, %s, %.1f MB; open %s\n", record.Count(len(r.Cells), "cell"),
		record.Count(len(in.Passes), "pass"), record.Count(files, "file"), float64(size)/1e6,
		filepath.Join(c.Out, "index.html"))
	return nil
}

// markUsed notes the passes of a written report, so that 'capctl retain' leaves them
// whole. A lab's passes lie on their benches, which cannot know of the report; that is
// said. That the store cannot be written to takes nothing from the report.
func (c *reportCmd) markUsed(a *app, passes []record.Pass) {
	if a.lab != "" {
		fmt.Fprintln(a.stderr,
			"capctl: 'capctl retain' on the benches does not know that this report uses their passes\nhint: a tag campaign keeps them whole ('capctl tag' on the bench)")
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
		safe.Fprintf(a.stderr, "capctl: 'capctl retain' does not protect the passes of this report: %v\n", err)
	}
}

func (c *reportCmd) input(a *app) (report.Input, error) {
	in, err := c.wholeFlags.input(a)
	if err != nil {
		return in, err
	}
	in.Title, in.Program, in.At, in.Pictures = c.Title, report.ThisProgram(), time.Now(), c.Pictures
	in.Traces, err = c.traces(a, in.Cells)
	return in, err
}

// input selects the passes, draws up their cells and gathers what conclusions need beside them.
func (c *wholeFlags) input(a *app) (report.Input, error) {
	in := report.Input{PriceBy: c.PriceBy, RefreshHz: c.Hz}
	for _, hz := range c.Hz {
		if !(hz > 0) {
			return in, cli.UsageError(fmt.Errorf("--hz %g is no refresh rate", hz))
		}
	}
	var err error
	in.Options = c.options(a)
	c.whole = true // the page and the data package list it
	sel, err := c.choose(a, c.filterFlags, &in.Options)
	if err != nil {
		return in, err
	}
	if err := results.CheckFactors(a.Streams, c.Factor, sel.Passes); err != nil {
		return in, err
	}
	in.Passes, in.Systems = sel.Passes, in.Options.Systems
	file := cmp.Or(c.Campaign, a.config.Campaign)
	if c.Any && c.Campaign == "" {
		file = "" // a campaign that was not asked for need not be there
	}
	if in.Prices, err = pricesOf(a, c.Prices, file, c.PriceBy); err != nil {
		return in, err
	}
	in.Cells = analysis.Cells(in.Passes, in.Options)
	if err := results.SortCells(in.Cells, c.Sort, in.Options); err != nil {
		return in, err
	}
	sel.Mark(in.Cells)
	sel.Sum(in.Cells)
	sel.Tell(a.Streams, in.Cells)
	in.Selection, in.Notes = sel.Lines(len(in.Cells)), sel.Notes
	in.Ready = readyInput(in.Cells, in.Options, sel)
	in.Loads, in.Readings, err = storedSensors(a, in.Cells)
	return in, err
}

// traces reads the frame times of the chosen passes.
func (c *reportCmd) traces(a *app, cells []analysis.Cell) ([]report.Trace, error) {
	ids := c.Trace
	if len(ids) == 0 {
		ids = report.Widest(cells)
	}
	var out []report.Trace
	err := withStore(a, func(ctx context.Context, s store.Reader) (err error) {
		passes := make([]record.Pass, len(ids))
		for i, id := range ids {
			if passes[i], err = s.Pass(ctx, id); err != nil {
				return cli.UsageError(fmt.Errorf("--trace %s: %w", id, err))
			}
		}
		if out, err = report.ReadTraces(ctx, s, passes); err != nil {
			return cli.FailedError(err)
		}
		return nil
	})
	return out, err
}
