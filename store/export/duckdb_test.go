package export_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"capd.example/store"
	"capd.example/store/export"
)

// TestDuckDBReadsTheFolder has another program read the exported folder as a user would:
// all files with their partitions. CAPD_DUCKDB names a folder in which the npm package
// @duckdb/node-api is installed.
func TestDuckDBReadsTheFolder(t *testing.T) {
	where := os.Getenv("CAPD_DUCKDB")
	if where == "" {
		t.Skip("CAPD_DUCKDB names no folder in which @duckdb/node-api is installed")
	}
	s := newStore(t)
	games := []string{"Glass Harbour", "Tin Valley: 100% / ä", "=1+1"}
	for i, g := range games {
		add(t, s, i, g)
	}
	dir := t.TempDir()
	write(t, s, dir, export.Parquet)
	script, err := filepath.Abs("testdata/duckdb.mjs")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", script, dir)
	cmd.Dir = where
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v: %s", err, errs.String())
	}
	passes, _ := s.Passes(ctx, store.Filter{})
	dec := json.NewDecoder(&out)
	for i, p := range passes {
		var got struct {
			ID, Game, Campaign, Started string
			AvgFPS                      float64 `json:"avg_fps"`
			MS                          []float64
			Temps                       []*float64
		}
		if err := dec.Decode(&got); err != nil {
			t.Fatal(err)
		}
		f, err := s.Frames(ctx, p.ID)
		if err != nil {
			t.Fatal(err)
		}
		same := len(got.MS) == len(f.MS)
		for k := 0; same && k < len(f.MS); k++ {
			same = math.Float64bits(got.MS[k]) == math.Float64bits(f.MS[k])
		}
		if !same || got.ID != p.ID || got.Game != games[i] || got.Campaign != "spring" || got.AvgFPS != p.Metrics.AvgFPS ||
			got.Started != p.StartedAt.Format("2006-01-02T15:04:05.000000") || len(got.Temps) != 2 || *got.Temps[0] != 51.5 || got.Temps[1] != nil {
			t.Errorf("pass %d: read as %.300v", i, got)
		}
	}
	if dec.More() {
		t.Error("more passes were read than there are")
	}
}
