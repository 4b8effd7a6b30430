package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/report"
	"capd.example/store"
)

// limitsCmd is `capctl limits`.
type limitsCmd struct {
	outputFlags
	filterFlags
	analysisFlags
}

func (c *limitsCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	loads, err := loadsOf(a, cells)
	if err != nil {
		return err
	}
	limits, models := analysis.Limits(cells, loads, o)
	err = emit(a, c.outputFlags, limits, table.Row{"cell", "avg FPS", "bound by", "processor's share", "why"}, func(l analysis.Limit) table.Row {
		return table.Row{l.Name(), number(l.FPS, "%.1f"), l.Limit, number(l.Share, "%.2f"), l.Reason}
	}, func() report.Table { return report.LimitTable(limits, selection.FactorsOf(o)) })
	if err != nil {
		return err
	}
	untagged(a, cells, record.TagProcessor, record.TagGraphics)
	if err := printModels(a, c.outputFlags, models); err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.JSON, cells)
}

// printModels prints the models after the cells, as objects with the one key "model" in
// JSON and as messages otherwise.
func printModels(a *app, form outputFlags, models []*analysis.Model) error {
	for _, m := range models {
		if !form.JSON {
			safe.Fprintln(a.stderr, "capctl: "+modelLine(m))
		} else if err := output.JSON(a.stdout, map[string]any{"model": m}); err != nil {
			return cli.FailedError(err)
		}
	}
	return nil
}

// predictCmd is `capctl predict`.
type predictCmd struct {
	outputFlags
	filterFlags
	analysisFlags
}

func (c *predictCmd) Run(a *app) error {
	cells, o, sel, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	list, models := analysis.Predict(cells, o)
	if len(list) == 0 && len(cells) > 0 {
		safe.Fprintln(a.stderr, "capctl: nothing to predict: every unmeasured cell lacks a measured cell with the same processor or the same card")
		untagged(a, cells, record.TagProcessor, record.TagGraphics)
	}
	err = emit(a, c.outputFlags, list, table.Row{"cell, not measured", "predicted FPS", "predicted FPS " + o.ConfidencePercent(), "bound by", "same speed as", "why"}, func(p analysis.Prediction) table.Row {
		interval := "-"
		if p.CILow.Known() {
			interval = fmt.Sprintf("%.1f to %.1f", float64(p.CILow), float64(p.CIHigh))
		}
		return table.Row{p.Name(), number(p.FPS, "%.1f"), interval, p.Limit, p.Like, p.Reason}
	}, func() report.Table { return report.PredictionTable(list, selection.FactorsOf(o)) })
	if err != nil {
		return err
	}
	if err := printModels(a, c.outputFlags, models); err != nil {
		return err
	}
	return sel.Emit(a.Streams, c.JSON, cells)
}

func modelLine(m *analysis.Model) string {
	text := fmt.Sprintf("%s: estimated from %s", cmp.Or(m.Game, "no named game"), record.Count(m.Cells, "cell"))
	if m.Sigma.Known() {
		text += fmt.Sprintf(", usually within %s, at worst %s off", relative(m.Sigma), relative(m.Worst))
	}
	if m.Predicted > 0 {
		text += ", usually " + relative(m.LeftOutError) + " off where a cell was left out to try it"
	}
	return strings.Join(append([]string{text}, m.Warnings...), "; ")
}

func number(x analysis.Number, format string) string {
	if !x.Known() {
		return "-"
	}
	return fmt.Sprintf(format, float64(x))
}

// relative prints a relative number in per cent.
func relative(x analysis.Number) string { return number(100*x, "%.2f %%") }

// loadsOf reads what telemetry says of the passes that count.
func loadsOf(a *app, cells []analysis.Cell) (map[string]analysis.Load, error) {
	out := map[string]analysis.Load{}
	err := withStore(a, func(ctx context.Context, s selection.Reader) error {
		for _, c := range cells {
			for _, p := range c.Passes.Used {
				t, err := s.Telemetry(ctx, p.ID)
				if errors.Is(err, store.ErrCorrupt) {
					safe.Fprintf(a.stderr, "capctl: warning: %v; capctl ignores its telemetry\n", err)
					continue
				}
				if err != nil {
					return fmt.Errorf("telemetry of pass %s: %w", p.ID, err)
				}
				if l, ok := loadOf(t); ok {
					out[p.ID] = l
				}
			}
		}
		return nil
	})
	return out, err
}

func loadOf(t *record.Telemetry) (analysis.Load, bool) {
	if t == nil {
		return analysis.Load{}, false
	}
	l := analysis.Load{Graphics: analysis.Undefined, Core: analysis.Undefined}
	busiest := map[int]float64{}
	for _, s := range t.Series {
		switch {
		case s.Name == "gpu.0.busy":
			l.Graphics = analysis.Median(s.Known())
		case strings.HasPrefix(s.Name, "cpu.core.") && strings.HasSuffix(s.Name, ".busy"):
			for i, v := range s.Values {
				if v > busiest[i] {
					busiest[i] = v
				}
			}
		}
	}
	var core []float64
	for _, v := range busiest {
		core = append(core, v)
	}
	l.Core = analysis.Median(core)
	return l, l.Graphics.Known() || l.Core.Known()
}
