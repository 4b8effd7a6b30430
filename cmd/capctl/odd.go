package main

import (
	"fmt"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
)

// oddCmd is `capctl odd`.
type oddCmd struct {
	JSON bool `name:"json" help:"One JSON object per line."`
	filterFlags
	analysisFlags
}

// Run ends with status 1 where a cell is odd.
func (c *oddCmd) Run(a *app) error {
	cells, o, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	r := analysis.FindOdd(cells, o)
	if c.JSON {
		for _, x := range r.Odd {
			if err := jsonLine(a.stdout, x); err != nil {
				return cli.FailedError(err)
			}
		}
	} else {
		rows := make([]table.Row, 0, len(r.Odd))
		for _, x := range r.Odd {
			rows = append(rows, table.Row{x.Name(), number(x.FPS, "%.1f"), number(100*x.Deviation, "%+.1f %%"), x.Reason, x.Advice, strings.Join(x.Passes, " ")})
		}
		if len(rows) > 0 {
			printTable(a.stdout, table.Row{"cell", "avg FPS", "off by", "why", "advice", "passes"}, rows)
		}
	}
	fmt.Fprintf(a.stderr, "capctl: %d odd of %d cells that could be tested", len(r.Odd), r.Tested)
	if n := len(r.Untestable); n > 0 {
		fmt.Fprintf(a.stderr, "; %d cannot be, since no other cell says what to expect of them", n)
	}
	fmt.Fprintln(a.stderr)
	if len(r.Odd) > 0 {
		return cli.ErrFound
	}
	return nil
}
