package main

import (
	"context"

	"capd.example/analysis"
	"capd.example/analysis/limit"
	"capd.example/analysis/power"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/report"
	"capd.example/store"
)

// limitsCmd is `capctl limits`.
type limitsCmd struct {
	output.Form
	filterFlags
	analysisFlags
}

func (c *limitsCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	loads, _, err := storedSensors(a, cells)
	if err != nil {
		return err
	}
	limits, models := limit.Limits(cells, loads, o)
	err = results.PrintLimits(a.Streams, c.Form, limits,
		func() output.Data { return report.LimitTable(limits, selection.FactorsOf(o)) })
	if err != nil {
		return err
	}
	results.Untagged(a.Streams, a.lab != "", cells, record.TagProcessor, record.TagGraphics)
	if err := results.PrintModels(a.Streams, c.Form, models); err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, cells)
}

// predictCmd is `capctl predict`.
type predictCmd struct {
	output.Form
	filterFlags
	analysisFlags
}

func (c *predictCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	list, models := limit.Predict(cells, o)
	if len(list) == 0 && len(cells) > 0 {
		safe.Fprintln(a.stderr,
			"capctl: nothing to predict: every unmeasured cell lacks a measured cell with the same processor or the same card")
		results.Untagged(a.Streams, a.lab != "", cells, record.TagProcessor, record.TagGraphics)
	}
	err = results.PrintPredictions(a.Streams, c.Form, list, o,
		func() output.Data { return report.PredictionTable(list, selection.FactorsOf(o)) })
	if err != nil {
		return err
	}
	if err := results.PrintModels(a.Streams, c.Form, models); err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.Form, cells)
}

// storedSensors reads what telemetry says of cells from the store.
func storedSensors(a *app, cells []analysis.Cell) (loads map[string]limit.Load, readings map[string]power.Reading,
	err error) {
	err = withStore(a, func(ctx context.Context, s store.Reader) error {
		loads, readings, err = results.SensorsOf(ctx, a.Streams, s, cells)
		return err
	})
	return loads, readings, err
}
