package results

import (
	"slices"
	"testing"

	"capd.example/analysis"
)

// TestWarnedOfAll: what holds of every cell is said once, and what holds of one stays in
// its row.
func TestWarnedOfAll(t *testing.T) {
	cells := []analysis.Cell{{Warnings: []string{"no scene", "one pass"}}, {Warnings: []string{"no scene"}}}
	same := warnedOfAll(cells)
	if !slices.Equal(same, []string{"no scene"}) {
		t.Errorf("of every cell: %q", same)
	}
	if got := remarks(cells[0], same); got != "one pass" {
		t.Errorf("remarks of the first: %q", got)
	}
	if same := warnedOfAll(cells[:1]); len(same) > 0 {
		t.Errorf("a single cell keeps its remarks: %q", same)
	}
}
