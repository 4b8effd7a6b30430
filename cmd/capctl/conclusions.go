package main

import (
	"fmt"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/report"
)

// conclusions are the commands that draw conclusions from the passes of the store.
type conclusions struct {
	Cells         cellsCmd         `cmd:"" group:"result" help:"Show the figures of each cell with their uncertainty, and whether its passes agree." example:"capctl cells --tag game=\"Copper Drift\""`
	Compare       compareCmd       `cmd:"" group:"result" help:"Compare cells that differ in one factor: margin, interval and result." example:"capctl compare --by gpu --base \"Lumen 60\""`
	Limits        limitsCmd        `cmd:"" group:"result" help:"Show for each cell whether the processor or the graphics card is the limit." example:"capctl limits"`
	Odd           oddCmd           `cmd:"" group:"result" help:"List suspicious results: cells that do not fit in with the others." example:"capctl odd"`
	Predict       predictCmd       `cmd:"" group:"result" help:"Estimate cells that were not measured, and say which need not be." example:"capctl predict"`
	Holds         holdsCmd         `cmd:"" group:"result" help:"Show which settings reach 60, 144 ... FPS, on average and at the 1% low." example:"capctl holds 60 144"`
	Value         valueCmd         `cmd:"" group:"result" help:"Show the cost per frame, and what is not worth its price." example:"capctl value --prices prices.csv"`
	Repeatability repeatabilityCmd `cmd:"" group:"result" help:"Show how well passes repeat, per bench, game and figure, and over the months." example:"capctl repeatability"`
	Reuse         reuseCmd         `cmd:"" group:"result" help:"Check whether older results are comparable with new ones." example:"capctl reuse --old campaign=spring --new campaign=autumn"`
	Report        reportCmd        `cmd:"" group:"result" help:"Write a page with tables and charts, the charts as SVG and PNG, and a data package." example:"capctl report --out report"`
}

// outputFlags choose the form of a result.
type outputFlags struct {
	JSON     bool `name:"json" xor:"form" help:"One JSON object per line."`
	CSV      bool `name:"csv" xor:"form" help:"Comma-separated text for a spreadsheet: one fact a column, numbers unrounded."`
	Markdown bool `name:"markdown" xor:"form" help:"A Markdown table."`
}

// head prints what must stand above a table for people.
func (o outputFlags) head(a *app, text string) {
	if text == "" || o.JSON || o.CSV {
		return
	}
	if o.Markdown {
		fmt.Fprintf(a.stdout, "%s\n\n", output.SafeMarkdown(text))
		return
	}
	fmt.Fprintln(a.stdout, printable(text))
}

// emit prints items in the chosen form: row gives the cells of the table for people, data
// is the table for programs.
func emit[T any](a *app, o outputFlags, items []T, headings table.Row, row func(T) table.Row, data func() report.Table) error {
	if o.JSON {
		for _, x := range items {
			if err := output.JSON(a.stdout, x); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if o.CSV {
		text, err := data().CSV()
		if err == nil {
			_, err = a.stdout.Write(text)
		}
		if err != nil {
			return cli.FailedError(err)
		}
		return nil
	}
	rows := make([]table.Row, 0, len(items))
	for _, x := range items {
		rows = append(rows, row(x))
	}
	if o.Markdown {
		return printed(output.Markdown(a.stdout, headings, rows))
	}
	if len(rows) > 0 {
		return printed(output.Table(a.stdout, headings, rows))
	}
	return nil
}
