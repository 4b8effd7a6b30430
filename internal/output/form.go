package output

import (
	"fmt"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	safe "capd.example/internal/text"
)

// Form choose the form of a result.
type Form struct {
	JSON     bool `name:"json" xor:"form" help:"One JSON object per line."`
	CSV      bool `name:"csv" xor:"form" help:"Comma-separated text for a spreadsheet: one fact a column, numbers unrounded."`
	Markdown bool `name:"markdown" xor:"form" help:"A Markdown table."`
}

// Head prints what must stand above a table for people.
func (o Form) Head(a *cli.Streams, text string) {
	if text == "" || o.JSON || o.CSV {
		return
	}
	if o.Markdown {
		fmt.Fprintf(a.Out, "%s\n\n", SafeMarkdown(text))
		return
	}
	fmt.Fprintln(a.Out, safe.Plain(text))
}

// Data is a result for programs.
type Data interface{ CSV() ([]byte, error) }

// Emit prints items in the chosen form: row gives the cells of the table for people, data
// is the table for programs.
func Emit[T any](a *cli.Streams, o Form, items []T, headings table.Row, row func(T) table.Row, data func() Data) error {
	if o.JSON {
		for _, x := range items {
			if err := JSON(a.Out, x); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if o.CSV {
		text, err := data().CSV()
		if err == nil {
			_, err = a.Out.Write(text)
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
		return WriteError(Markdown(a.Out, headings, rows))
	}
	if len(rows) > 0 {
		return WriteError(Table(a.Out, headings, rows))
	}
	return nil
}

// WriteError is a failure to write what was found, as a command ends with it.
func WriteError(err error) error {
	if err != nil {
		return cli.FailedError(fmt.Errorf("write: %w", err))
	}
	return nil
}
