package report

import (
	"context"
	"fmt"
	"slices"

	"capd.example/analysis"
	"capd.example/record"
)

// Frames is where frame times are read.
type Frames interface {
	Frames(ctx context.Context, id string) (record.Frames, error)
}

// ReadTraces reads the frame times of passes.
func ReadTraces(ctx context.Context, from Frames, passes []record.Pass) (out []Trace, err error) {
	for _, p := range passes {
		f, err := from.Frames(ctx, p.ID)
		if err != nil {
			return nil, fmt.Errorf("frame times of pass %s: %w", p.ID, err)
		}
		out = append(out, Trace{Pass: p, MS: f.MS})
	}
	return out, nil
}

// Widest returns the passes of the cell whose 1% lows differ most, three at most.
func Widest(cells []analysis.Cell) []string {
	var best analysis.Cell
	cv := -1.0
	for _, c := range cells {
		if v := float64(c.Figure(analysis.Low1).CV); v > cv {
			best, cv = c, v
		}
	}
	var out []string
	for _, u := range best.Passes.Used {
		out = append(out, u.ID)
	}
	return slices.Clip(out[:min(len(out), 3)])
}
