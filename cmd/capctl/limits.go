package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// limitsCmd is `capctl limits`.
type limitsCmd struct {
	JSON bool `name:"json" help:"One JSON object per line: the cells, then one object with \"model\" per game."`
	filterFlags
	analysisFlags
}

func (c *limitsCmd) Run(a *app) error {
	cells, o, err := c.cells(a, c.filterFlags)
	if err != nil {
		return err
	}
	loads, err := loadsOf(a, cells)
	if err != nil {
		return err
	}
	limits, models := analysis.Limits(cells, loads, o)
	if c.JSON {
		for _, l := range limits {
			if err := jsonLine(a.stdout, l); err != nil {
				return cli.FailedError(err)
			}
		}
		for _, m := range models {
			if err := jsonLine(a.stdout, map[string]any{"model": m}); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	rows := make([]table.Row, 0, len(limits))
	for _, l := range limits {
		rows = append(rows, table.Row{l.Name(), number(l.FPS, "%.1f"), l.Limit, number(l.Share, "%.2f"), l.Reason})
	}
	printTable(a.stdout, table.Row{"cell", "avg FPS", "bound by", "processor's share", "why"}, rows)
	for _, m := range models {
		fmt.Fprintln(a.stdout, modelLine(m))
	}
	return nil
}

func modelLine(m *analysis.Model) string {
	text := fmt.Sprintf("Model of %s over %d cells: residual sd %s, worst residual %s, error of a cell left out %s",
		m.Game, m.Cells, relative(m.Sigma), relative(m.Worst), relative(m.LeftOutError))
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
	err := withStore(a, func(ctx context.Context, s *store.Store) error {
		for _, c := range cells {
			for _, p := range c.Passes.Used {
				t, err := s.Telemetry(ctx, p.ID)
				if errors.Is(err, store.ErrCorrupt) {
					fmt.Fprintf(a.stderr, "capctl: warning: %v; its telemetry is left out\n", err)
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
