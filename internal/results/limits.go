package results

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/analysis/limit"
	"capd.example/analysis/power"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// PrintLimits prints by which part cells are bound.
func PrintLimits(a *cli.Streams, form output.Form, limits []limit.Limit, data func() output.Data) error {
	return output.Emit(a, form, limits, table.Row{"cell", "avg FPS", "bound by", "processor's share", "why"},
		func(l limit.Limit) table.Row {
			return table.Row{l.Name(), number(l.FPS, "%.1f"), l.Limit, number(l.Share, "%.2f"), l.Reason}
		}, data)
}

// PrintPredictions prints what cells that were not measured would reach.
func PrintPredictions(a *cli.Streams, form output.Form, list []limit.Prediction, o analysis.Options,
	data func() output.Data) error {
	return output.Emit(a, form, list, table.Row{"cell, not measured", "predicted FPS",
		"predicted FPS " + o.ConfidencePercent(), "bound by", "same speed as", "why"}, func(p limit.Prediction) table.Row {
		interval := "-"
		if p.CILow.Known() {
			interval = fmt.Sprintf("%.1f to %.1f", float64(p.CILow), float64(p.CIHigh))
		}
		return table.Row{p.Name(), number(p.FPS, "%.1f"), interval, p.Limit, p.Like, p.Reason}
	}, data)
}

// PrintModels prints the models after the cells, as objects with the one key "model" in
// JSON and as messages otherwise.
func PrintModels(a *cli.Streams, form output.Form, models []*analysis.Model) error {
	for _, m := range models {
		if !form.JSON {
			safe.Fprintln(a.Err, "capctl: "+modelLine(m))
		} else if err := output.JSON(a.Out, map[string]any{"model": m}); err != nil {
			return cli.FailedError(err)
		}
	}
	return nil
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

// telemetries is where samples are read.
type telemetries interface {
	Telemetry(ctx context.Context, id string) (*record.Telemetry, error)
}

// SensorsOf reads what telemetry says of the passes that count: the loads that tell what limits
// a cell, and power, heat and clocks, by the identity of the pass.
func SensorsOf(ctx context.Context, a *cli.Streams, s telemetries, cells []analysis.Cell) (map[string]limit.Load,
	map[string]power.Reading, error) {
	loads, readings := map[string]limit.Load{}, map[string]power.Reading{}
	take := func(id string, t *record.Telemetry, err error) error {
		if errors.Is(err, store.ErrCorrupt) {
			safe.Fprintf(a.Err, "capctl: warning: %v; capctl ignores its telemetry\n", err)
			return nil
		}
		if err != nil {
			return fmt.Errorf("telemetry of pass %s: %w", id, err)
		}
		if l, ok := loadOf(t); ok {
			loads[id] = l
		}
		if r, ok := power.Of(t); ok {
			readings[id] = r
		}
		return nil
	}
	var ids []string
	for _, c := range cells {
		for _, p := range c.Passes.Used {
			ids = append(ids, p.ID)
		}
	}
	if far, is := s.(interface { // each question to a lab costs a way through the network
		Telemetries(context.Context, []string, func(string, *record.Telemetry, error) error) error
	}); is {
		return loads, readings, far.Telemetries(ctx, ids, take)
	}
	for _, id := range ids {
		t, err := s.Telemetry(ctx, id)
		if err := take(id, t, err); err != nil {
			return nil, nil, err
		}
	}
	return loads, readings, nil
}

func loadOf(t *record.Telemetry) (limit.Load, bool) {
	if t == nil {
		return limit.Load{}, false
	}
	l := limit.Load{Graphics: analysis.Undefined, Core: analysis.Undefined}
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
