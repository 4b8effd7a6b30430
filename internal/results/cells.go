package results

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// CheckFactors keeps a slip of the pen from making all passes one cell: a factor that no
// selected pass has is refused where its name is close to one that they have.
func CheckFactors(a *cli.Streams, factors []string, passes []record.Pass) error {
	known := map[string]bool{}
	for _, p := range passes {
		for name := range p.Tags {
			known[name] = true
		}
	}
	for _, name := range factors {
		if known[name] || slices.Contains(record.CellFactors, name) || len(passes) == 0 {
			continue
		}
		if like := safe.Nearest(name, known); like != "" {
			return cli.UsageError(fmt.Errorf("--factor %s: no selected pass has this tag; do you mean %q?", name, like))
		}
		safe.Fprintf(a.Err, "capctl: note: --factor %s: no selected pass has this tag\n", name)
	}
	return nil
}

// SortCells brings cells into another order than that of the plan: by their names, or by a
// figure from the best down. Cells without the figure come last.
func SortCells(cells []analysis.Cell, how string, o analysis.Options) error {
	switch how {
	case "", "plan":
		return nil
	case "name":
		factors := o.WithDefaults().Factors
		slices.SortStableFunc(cells, func(a, b analysis.Cell) int {
			for _, f := range factors {
				if d := analysis.Naturally(a.Factors[f], b.Factors[f]); d != 0 {
					return d
				}
			}
			return 0
		})
		return nil
	}
	kind, ok := analysis.MetricNamed(how)
	if !ok {
		return cli.UsageError(fmt.Errorf("--sort %s is neither plan, name nor a figure", safe.Plain(how)),
			"figures: "+strings.Join(figureNames(), ", "))
	}
	slices.SortStableFunc(cells, func(a, b analysis.Cell) int {
		x, y := a.Figure(how), b.Figure(how)
		if x.N == 0 || y.N == 0 {
			return cmp.Compare(min(y.N, 1), min(x.N, 1))
		}
		if kind.Rate {
			return cmp.Compare(y.Value(), x.Value())
		}
		return cmp.Compare(x.Value(), y.Value())
	})
	return nil
}

// PrintCells prints cells with their figures and remarks.
func PrintCells(a *cli.Streams, form output.Form, cells []analysis.Cell, o analysis.Options,
	data func() output.Data) error {
	interval := o.ConfidencePercent()
	headings := table.Row{"cell", "passes", "avg FPS", "avg FPS " + interval, "1% low", "1% low " + interval, "remarks"}
	both := slices.ContainsFunc(cells, func(c analysis.Cell) bool { return c.Figure(analysis.Average).BothKnown() })
	if both {
		headings = slices.Insert(headings, 4, any("in one session"))
	}
	form.Head(a, analysis.SessionsOf(cells, o))
	same := analysis.WarnedOfAll(cells)
	if len(same) > 0 && !form.JSON && !form.CSV {
		defer safe.Fprintf(a.Err, "capctl: note: for every cell: %s\n", strings.Join(same, "; "))
	}
	return output.Emit(a, form, cells, headings, func(x analysis.Cell) table.Row {
		avg, low := x.Figure(analysis.Average), x.Figure(analysis.Low1)
		row := table.Row{x.Name(), passCount(x), shown(avg), plusMinus(avg), shown(low), plusMinus(low), remarks(x, same)}
		if both {
			row = slices.Insert(row, 4, any(fpsRange(avg.SessionLow, avg.SessionHigh)))
		}
		return row
	}, data)
}

// passCount says how many passes count, of how many, and from how many sessions if several.
func passCount(c analysis.Cell) string {
	n := len(c.Passes.Used)
	text := fmt.Sprint(n)
	if out := len(c.Passes.LeftOut); out > 0 {
		text = fmt.Sprintf("%d of %d", n, n+out)
	}
	if c.Sessions > 1 {
		text += fmt.Sprintf(" in %d sessions", c.Sessions)
	}
	return text
}

// shown prints a figure with an asterisk where it is a median.
func shown(f analysis.Figure) string {
	if !analysis.Number(f.Value()).Known() {
		return "-"
	}
	if f.Shown == "median" {
		return output.FPS(f.Value()) + "*"
	}
	return output.FPS(f.Value())
}

func plusMinus(f analysis.Figure) string {
	return fpsRange(f.CILow, f.CIHigh)
}

func fpsRange(low, high analysis.Number) string {
	if !low.Known() {
		return "-"
	}
	return fmt.Sprintf("%s to %s", output.FPS(float64(low)), output.FPS(float64(high)))
}

func remarks(c analysis.Cell, same []string) string {
	var out []string
	if c.Agree.Outcome == record.Doubtful {
		out = append(out, c.Agree.Reason+": "+c.Agree.Advice+" (*)")
	}
	for _, l := range c.Passes.LeftOut {
		out = append(out, l.ID+" left out: "+l.Why)
	}
	for _, w := range c.Warnings {
		if !slices.Contains(same, w) {
			out = append(out, w)
		}
	}
	return strings.Join(out, "; ")
}
