package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"time"

	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/internal/folder"
	"capd.example/record"
	"capd.example/report"
)

// reportCmd is `capctl report`.
type reportCmd struct {
	Out      string    `required:"" placeholder:"DIR" help:"Folder to write into; it is made, an earlier report in it is replaced."`
	Title    string    `default:"Bench report" placeholder:"TEXT" help:"Heading of the page."`
	Prices   string    `placeholder:"FILE" help:"Price list (default: the prices of the campaign; see 'capctl value')."`
	PriceBy  string    `default:"gpu" placeholder:"FACTOR" help:"The factor whose parts have prices."`
	Hz       []float64 `placeholder:"HZ" default:"60,120,144" help:"Refresh rates to judge by."`
	Trace    []string  `placeholder:"PASS" help:"Passes whose frame times are drawn (default: of the cell whose passes differ most)."`
	Pictures int       `default:"8" placeholder:"N" help:"How many charts are also drawn as PNG, each in 1920x1080 and 3840x2160."`
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
	before := describedBefore(c.Out)
	ours := report.WrittenBefore(before)
	written, size := map[string]bool{}, 0
	err = func() error {
		to, err := folder.Open(c.Out, func(path string) bool { return ours[path] })
		if err != nil {
			return err
		}
		defer to.Close()
		err = r.Files(func(path string, data []byte) error {
			written[path] = true
			size += len(data)
			return to.Put(path, data)
		})
		if err != nil {
			return err
		}
		return to.Commit(report.Description) // which says what is ours, should the rest not come about
	}()
	if err != nil {
		return cli.FailedError(fmt.Errorf("write the report: %w", err))
	}
	c.clear(a, report.DrawnBefore(before), written)
	c.markUsed(a, in.Passes)
	safe.Fprintf(a.stderr, "capctl: %s of %s, %s, %.1f MB; open %s\n", record.Count(len(r.Cells), "cell"), record.Count(len(in.Passes), "pass"), record.Count(len(written), "file"), float64(size)/1e6, filepath.Join(c.Out, "index.html"))
	return nil
}

// describedBefore returns the description of an earlier report in a folder, if there is one.
func describedBefore(dir string) []byte {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil
	}
	defer root.Close()
	if info, err := root.Lstat(report.Description); err != nil || !info.Mode().IsRegular() {
		return nil
	}
	text, _ := root.ReadFile(report.Description) // what cannot be read is not replaced
	return text
}

// clear removes the charts of the earlier report in this folder that the new one does not
// have: as that report listed them, and only such as are still what it wrote.
func (c *reportCmd) clear(a *app, before []report.Drawn, written map[string]bool) {
	root, err := os.OpenRoot(c.Out) // no link leads out of it
	if err != nil {
		return
	}
	defer root.Close()
	for _, f := range before {
		if written[f.Path] {
			continue
		}
		data, err := root.ReadFile(f.Path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil && fmt.Sprintf("%x", sha256.Sum256(data)) != f.SHA256 {
			safe.Fprintf(a.stderr, "capctl: someone changed %s of the earlier report; capctl leaves it there\n", f.Path)
			continue
		}
		if err == nil {
			err = root.Remove(f.Path)
		}
		if err != nil {
			safe.Fprintf(a.stderr, "capctl: a chart of the earlier report is still there: %v\n", err)
		}
	}
}

// markUsed notes the passes of a written report, so that 'capctl retain' leaves them
// whole. A lab's passes lie on their benches, which cannot know of the report; that is
// said. That the store cannot be written to takes nothing from the report.
func (c *reportCmd) markUsed(a *app, passes []record.Pass) {
	if a.lab != "" {
		fmt.Fprintln(a.stderr, "capctl: 'capctl retain' on the benches does not know that this report uses their passes\nhint: a tag campaign keeps them whole ('capctl tag' on the bench)")
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
	in := report.Input{Title: c.Title, Program: thisProgram(), At: time.Now(), PriceBy: c.PriceBy, RefreshHz: c.Hz, Pictures: c.Pictures}
	for _, hz := range c.Hz {
		if !(hz > 0) {
			return in, cli.UsageError(fmt.Errorf("--hz %g is no refresh rate", hz))
		}
	}
	var err error
	in.Options = c.options(a)
	sel, err := c.choose(a, c.filterFlags, &in.Options)
	if err != nil {
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
	sel.Mark(in.Cells)
	sel.Sum(in.Cells)
	sel.Tell(a.Streams, in.Cells)
	in.Selection = sel.Lines(len(in.Cells))
	if in.Loads, err = storedLoads(a, in.Cells); err != nil {
		return in, err
	}
	in.Traces, err = c.traces(a, in.Cells)
	return in, err
}

// thisProgram says what program this is, as its build recorded it, and the hash of its file.
func thisProgram() report.Program {
	var p report.Program
	p.Build, _ = debug.ReadBuildInfo()
	path, err := os.Executable()
	if err != nil {
		return p
	}
	f, err := os.Open(path)
	if err != nil {
		return p
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err == nil {
		p.SHA256 = fmt.Sprintf("%x", h.Sum(nil))
	}
	return p
}

// traces reads the frame times of the chosen passes.
func (c *reportCmd) traces(a *app, cells []analysis.Cell) ([]report.Trace, error) {
	ids := c.Trace
	if len(ids) == 0 {
		ids = widest(cells)
	}
	var out []report.Trace
	err := withStore(a, func(ctx context.Context, s selection.Reader) error {
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
