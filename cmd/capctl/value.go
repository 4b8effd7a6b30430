package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/report"
)

// valueCmd is `capctl value`.
type valueCmd struct {
	Prices string `required:"" placeholder:"FILE" help:"Price list: comma-separated text with the columns part, price, currency, date."`
	By     string `default:"gpu" placeholder:"FACTOR" help:"The factor whose parts have prices."`
	outputFlags
	filterFlags
	analysisFlags
}

func (c *valueCmd) Run(a *app) error {
	prices, err := readPrices(c.Prices)
	if err != nil {
		return err
	}
	cells, o, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	values, err := analysis.Values(cells, c.By, prices, o)
	if err != nil {
		return cli.UsageError(err)
	}
	return emit(a, c.outputFlags, values, table.Row{"cells", c.By, "avg FPS", "games", "price", "per frame", "frontier", "price of", "remarks"}, func(v analysis.Value) table.Row {
		frontier := ""
		if v.Frontier {
			frontier = "yes"
		}
		return table.Row{v.Name(), v.Part, number(v.FPS, "%.1f"), len(v.Games), number(v.Price, "%.2f ") + v.Currency, number(v.CostPerFrame, "%.2f"), frontier, v.Date, v.Reason}
	}, func() report.Table { return report.ValueTable(values, factorsOf(o)) })
}

func readPrices(path string) ([]analysis.Price, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("open the price list: %w", err))
	}
	defer f.Close()
	prices, err := analysis.ReadPrices(f)
	if err != nil {
		return nil, cli.UsageError(fmt.Errorf("%s: %w", path, err))
	}
	return prices, nil
}

// holdsCmd is `capctl holds`.
type holdsCmd struct {
	Rate []float64 `arg:"" name:"hz" help:"Refresh rates in Hz: 60 144"`
	outputFlags
	filterFlags
	analysisFlags
}

func (c *holdsCmd) Run(a *app) error {
	for _, hz := range c.Rate {
		if !(hz > 0) {
			return cli.UsageError(errors.New("a refresh rate must be above 0"))
		}
	}
	cells, o, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	list := analysis.Thresholds(cells, c.Rate)
	return emit(a, c.outputFlags, list, table.Row{"Hz", "cell", "avg FPS", "on average", "1% low", "at the 1% low"}, func(t analysis.Threshold) table.Row {
		return table.Row{t.RefreshHz, t.Name(), number(t.FPS, "%.1f"), t.Average, number(t.Low1FPS, "%.1f"), t.Low1}
	}, func() report.Table { return report.ThresholdTable(list, factorsOf(o)) })
}
