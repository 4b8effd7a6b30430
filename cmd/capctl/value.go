package main

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"

	"capd.example/analysis/compare"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	"capd.example/report"
)

// valueCmd is `capctl value`.
type valueCmd struct {
	Prices string `placeholder:"FILE" help:"Price list: comma-separated text whose first line is part,price,currency,date (default: the prices of the campaign)."`
	By     string `default:"gpu" placeholder:"FACTOR" help:"The factor whose parts have prices."`
	output.Form
	filterFlags
	analysisFlags
}

func (c *valueCmd) Run(a *app) error {
	prices, err := c.prices(a)
	if err != nil {
		return err
	}
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	values, err := compare.Values(cells, c.By, prices, o)
	if err != nil {
		return cli.UsageError(err)
	}
	err = results.PrintValues(a.Streams, c.Form, c.By, values,
		func() output.Data { return report.ValueTable(values, selection.FactorsOf(o)) })
	if err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, cells)
}

// prices reads the list that is named, else the prices in the campaign.
func (c *valueCmd) prices(a *app) ([]compare.Price, error) {
	file := cmp.Or(c.Campaign, a.config.Campaign)
	if c.Prices == "" && file == "" {
		return nil, cli.UsageError(errors.New("there are no prices: name a list with --prices, or a campaign"),
			results.PricesHint,
			"a campaign file can hold prices too, under [prices."+c.By+"]")
	}
	out, err := pricesOf(a, c.Prices, file, c.By)
	if err == nil && len(out) == 0 {
		return nil, cli.UsageError(fmt.Errorf("%s holds no prices of %s", file, c.By),
			"write \"NAME\" = 199.90 under [prices."+c.By+"] there, or name a list with --prices", results.PricesHint)
	}
	return out, err
}

// pricesOf reads a list, or where none is named the prices of a factor in the campaign's
// file, "" for none.
func pricesOf(a *app, list, campaign, factor string) ([]compare.Price, error) {
	if list != "" {
		return results.ReadPrices(list)
	}
	if campaign == "" {
		return nil, nil
	}
	camp, err := loadCampaign(a, campaign)
	if err != nil {
		return nil, err
	}
	var out []compare.Price
	for _, part := range slices.Sorted(maps.Keys(camp.Prices[factor])) {
		out = append(out, compare.Price{Part: part, Amount: camp.Prices[factor][part], Currency: camp.Currency})
	}
	return out, nil
}

// holdsCmd is `capctl holds`.
type holdsCmd struct {
	Rate []float64 `arg:"" name:"hz" help:"Refresh rates in Hz: 60 144"`
	output.Form
	filterFlags
	analysisFlags
}

func (c *holdsCmd) Run(a *app) error {
	for _, hz := range c.Rate {
		if !(hz > 0) {
			return cli.UsageError(errors.New("a refresh rate must be above 0"), "name rates in Hz, such as 60 144")
		}
	}
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	list := compare.Thresholds(cells, c.Rate)
	err = results.PrintThresholds(a.Streams, c.Form, list,
		func() output.Data { return report.ThresholdTable(list, selection.FactorsOf(o)) })
	if err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, cells)
}
