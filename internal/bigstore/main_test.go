package main

import (
	"context"
	"path/filepath"
	"testing"

	"capd.example/record"
	"capd.example/store"
)

// TestFill reads what was made by the store's own means: the columns are written here by
// hand, so that a change of the schema is noticed.
func TestFill(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "passes.db")
	n, campaigns, err := fill(path, 1500, 1)
	if err != nil || n < 1500 || campaigns < 1 {
		t.Fatalf("%d passes of %d campaigns, %v", n, campaigns, err)
	}
	s, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	cells, verdicts := map[[5]string]int{}, map[record.Verdict]int{}
	var read int64
	err = s.Each(ctx, store.Filter{}, func(p record.Pass) error {
		read++
		verdicts[p.Verdict]++
		tag := p.Tags.Value
		cells[[5]string{tag("cpu"), tag("gpu"), tag("game"), tag("preset"), tag("campaign")}]++
		if !(p.Metrics.AvgFPS > 0 && p.Metrics.Low1FPS < p.Metrics.AvgFPS) || len(p.Findings) != 3 || p.System == "" {
			t.Fatalf("%+v", p)
		}
		return nil
	})
	if err != nil || read != n {
		t.Fatalf("%d of %d passes can be read: %v", read, n, err)
	}
	if want := campaigns * processors * cards * games * presets; len(cells) != want {
		t.Errorf("%d cells, want %d", len(cells), want)
	}
	for _, v := range []record.Verdict{record.Clean, record.VerdictDoubtful, record.VerdictBad} {
		if verdicts[v] == 0 {
			t.Errorf("no pass is %s", v)
		}
	}
}
