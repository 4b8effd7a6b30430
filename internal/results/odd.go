package results

import (
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis/oddcell"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// PrintOdd prints the suspicious cells, and how far the others could be tested.
func PrintOdd(a *cli.Streams, form output.Form, r oddcell.Report, data func() output.Data) error {
	form.Head(a, r.Misfit.Text)
	for _, p := range r.Properties {
		form.Head(a, p.Text)
	}
	err := output.Emit(
		a,
		form,
		r.Odd,
		table.Row{"cell", "avg FPS", "off by", "why", "advice", "passes"},
		func(x oddcell.Odd) table.Row {
			return table.Row{
				x.Name(),
				number(x.FPS, "%.1f"),
				number(100*x.Deviation, "%+.1f %%"),
				x.Reason,
				x.Advice,
				strings.Join(x.Passes, " "),
			}
		},
		data,
	)
	if err != nil {
		return err
	}
	for _, x := range r.Alike {
		form.Head(a, x.Name()+": "+x.Reason)
	}
	if form.JSON {
		if err := output.JSON(a.Out, map[string]any{"fit": r.Misfit, "properties": r.Properties, "alike": r.Alike}); err != nil {
			return cli.FailedError(err)
		}
	}
	safe.Fprintf(a.Err, "capctl: odd cells: %d of %d tested", len(r.Odd), r.Tested)
	if n := len(r.Untestable); n > 0 {
		safe.Fprintf(a.Err, "; %d could not be tested: no other cell is comparable", n)
	}
	if n := len(r.Weak); n > 0 {
		safe.Fprintf(a.Err, "; in %s an error of 4 %% might go unseen", record.Count(n, "cell"))
	}
	safe.Fprintln(a.Err)
	for _, why := range r.Outside {
		safe.Fprintf(a.Err, "capctl: note: not tested: %s\n", safe.Plain(why))
	}
	return nil
}
