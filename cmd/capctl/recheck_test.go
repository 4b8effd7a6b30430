package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/store"
)

// A verdict may come from a check that says what it always said, when a worse one is gone:
// the row names it all the same.
func TestRecheckNamesWhatDecides(t *testing.T) {
	dir := t.TempDir()
	ids := passesWithLoad(t, dir, 20, 80)
	s, err := store.Open(context.Background(), filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	stored := []record.Finding{
		{Check: "background", Outcome: record.Doubtful, Reason: "busy"},
		{Check: "retired", Outcome: record.Bad, Reason: "frames are missing"},
	}
	if err := s.ReplaceFindings(context.Background(), ids[0], stored, record.VerdictBad, "test", "mo"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	status, out, msg := program(t, dir, "recheck")
	if status != 1 || !strings.Contains(out, "doubtful now: background: other programs took 20 %") || !strings.Contains(out, "retired: bad -> (none)") {
		t.Errorf("status %d: %s%s", status, out, msg)
	}
	if strings.Contains(out, "bad now: background") { // among the changes already
		t.Errorf("named twice: %s", out)
	}
	_, out, _ = program(t, dir, "recheck", "--json")
	if strings.Count(out, `"decides":"background: other programs took`) != 2 {
		t.Errorf("%s", out)
	}
}
