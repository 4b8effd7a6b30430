package results

import (
	"errors"
	"slices"
	"testing"

	"capd.example/analysis"
	"capd.example/internal/cli"
)

// TestWarnedOfAll: what holds of every cell is said once, and what holds of one stays in
// its row.
func TestWarnedOfAll(t *testing.T) {
	cells := []analysis.Cell{{Warnings: []string{"no scene", "one pass"}}, {Warnings: []string{"no scene"}}}
	same := analysis.WarnedOfAll(cells)
	if !slices.Equal(same, []string{"no scene"}) {
		t.Errorf("of every cell: %q", same)
	}
	if got := remarks(cells[0], same); got != "one pass" {
		t.Errorf("remarks of the first: %q", got)
	}
	if same := analysis.WarnedOfAll(cells[:1]); len(same) > 0 {
		t.Errorf("a single cell keeps its remarks: %q", same)
	}
}

// Cells stand as the plan has them, by name, or by a figure from the best: high rates, short
// frame times, and last what was not measured.
func TestSortCells(t *testing.T) {
	at := func(name string, fps, ms float64) analysis.Cell {
		c := analysis.Cell{Factors: map[string]string{"gpu": name}, Figures: map[string]analysis.Figure{}}
		if fps > 0 {
			c.Figures["avg_fps"] = analysis.Figure{N: 3, Mean: analysis.Number(fps)}
			c.Figures["median_ms"] = analysis.Figure{N: 3, Mean: analysis.Number(ms)}
		}
		return c
	}
	for how, want := range map[string]string{"plan": "E90 E20 E10 E5", "": "E90 E20 E10 E5", "name": "E5 E10 E20 E90",
		"avg_fps": "E20 E5 E90 E10", "median_ms": "E90 E5 E20 E10"} {
		cells := []analysis.Cell{at("E90", 60, 4), at("E20", 90, 12), at("E10", 0, 0), at("E5", 70, 9)}
		if err := SortCells(cells, how, analysis.Options{}); err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, c := range cells {
			got += " " + c.Factors["gpu"]
		}
		if got[1:] != want {
			t.Errorf("%s: %s, want %s", how, got[1:], want)
		}
	}
	var wrong *cli.Error
	if err := SortCells(nil, "speed", analysis.Options{}); !errors.As(err, &wrong) || wrong.Status != cli.Usage {
		t.Errorf("%v", err)
	}
}
