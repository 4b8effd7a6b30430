package main

import (
	"context"
	"fmt"

	"capd.example/analysis/power"
	"capd.example/internal/cli"
	"capd.example/internal/selection"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/report"
	"capd.example/report/pictures"
	"capd.example/store"
)

// chartsCmd is `capctl charts`.
type chartsCmd struct {
	Order string `arg:"" optional:"" name:"charts.toml" placeholder:"FILE" help:"Which pictures, and how they look (default: a good set)."`
	Out   string `required:"" placeholder:"DIR" help:"Folder to write into; it is made. Pictures of an earlier run are replaced."`
	wholeFlags
}

func (c *chartsCmd) Run(a *app) error {
	if err := isNoFile(c.Out); err != nil {
		return err
	}
	spec, err := pictures.Load(c.Order)
	if err != nil {
		return cli.UsageError(err, "docs/charts.md says what can be ordered")
	}
	in, err := c.input(a)
	if err != nil {
		return err
	}
	if len(in.Passes) == 0 {
		c.noPass(a)
		return nil
	}
	var list []pictures.Drawn
	var skipped []error
	err = withStore(a, func(ctx context.Context, s store.Reader) (err error) {
		list, skipped, err = pictures.Draw(pictureSource(in, func(id string) ([]float64, error) {
			f, err := s.Frames(ctx, id)
			return f.MS, err
		}), spec)
		return err
	})
	if err != nil {
		return cli.UsageError(err, "docs/charts.md says what can be ordered")
	}
	if err := pictures.WriteInto(c.Out, list, spec, a.say); err != nil {
		return cli.FailedError(fmt.Errorf("write the pictures: %w", err))
	}
	for _, why := range skipped {
		safe.Fprintf(a.stderr, "capctl: left out %v\n", why)
	}
	safe.Fprintf(a.stderr, "capctl: %s in %s\n", record.Count(len(list), "picture"), c.Out)
	return nil
}

// pictureSource is what pictures made to order are drawn from.
func pictureSource(in report.Input, frames func(id string) ([]float64, error)) pictures.Source {
	src := pictures.Source{Cells: in.Cells, Options: in.Options, Factors: selection.FactorsOf(in.Options),
		PriceBy: in.PriceBy, Frames: frames}
	for _, p := range in.Prices {
		src.Prices = append(src.Prices, pictures.Price{Part: p.Part, Currency: p.Currency, Amount: p.Amount})
	}
	src.AddSensors(power.Cells(in.Cells, in.Readings, in.Options))
	return src
}
