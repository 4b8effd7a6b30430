//go:build linux

package duckdb_test

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
	"github.com/marcboeker/go-duckdb"
)

var ctx = context.Background()

// TestReadsAnExportedFolder has DuckDB read what capctl export writes, as its user would:
// all files with their partitions. Frame times must come through bit for bit and the
// figures that DuckDB computes from them must be those that the store holds.
func TestReadsAnExportedFolder(t *testing.T) {
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	games := []string{"Glass Halyard", "Tin Valley: 100% / ä", "=1+1"}
	for i, game := range games {
		add(t, s, i, game)
	}
	dir := t.TempDir()
	if _, err := export.Write(ctx, s, store.Filter{}, dir, export.Parquet); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	table := func(name string) string {
		return "read_parquet('" + strings.ReplaceAll(dir, "'", "''") + "/" + name + "/**/*.parquet', hive_partitioning = true)"
	}
	rows, err := db.Query(`SELECT p.id, p.game, p.campaign, p.avg_fps, p.started_at, p.p99_ms, f.ms, f.p99, f.fps, t.temps
		FROM ` + table("passes") + ` p
		JOIN (SELECT pass, list(ms ORDER BY n) AS ms, quantile_cont(ms, 0.99) AS p99, 1000 * count(*) / sum(ms) AS fps FROM ` + table("frames") + ` GROUP BY pass) f ON f.pass = p.id
		JOIN (SELECT pass, list(value ORDER BY n) AS temps FROM ` + table("telemetry") + ` GROUP BY pass) t ON t.pass = p.id
		ORDER BY p.started_at`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	passes, err := s.Passes(ctx, store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for ; rows.Next(); n++ {
		var id, game, campaign string
		var started time.Time
		var avg, storedP99, p99, fps float64
		var ms, temps duckdb.Composite[[]*float64]
		if err := rows.Scan(&id, &game, &campaign, &avg, &started, &storedP99, &ms, &p99, &fps, &temps); err != nil {
			t.Fatal(err)
		}
		p := passes[n]
		f, err := s.Frames(ctx, p.ID)
		if err != nil {
			t.Fatal(err)
		}
		same := len(ms.Get()) == len(f.MS)
		for k := 0; same && k < len(f.MS); k++ {
			same = math.Float64bits(*ms.Get()[k]) == math.Float64bits(f.MS[k])
		}
		if !same || id != p.ID || game != games[n] || campaign != "spring" || avg != p.Metrics.AvgFPS || storedP99 != p.Metrics.P99MS || !started.Equal(p.StartedAt) {
			t.Errorf("pass %d: read as %s, %q, %q, %g FPS, %s; frame times equal: %v", n, id, game, campaign, avg, started, same)
		}
		if math.Abs(p99/p.Metrics.P99MS-1) > 1e-12 || math.Abs(fps/p.Metrics.AvgFPS-1) > 1e-12 {
			t.Errorf("pass %d: DuckDB computes %g FPS and a 99th percentile of %g ms, the store holds %g and %g", n, fps, p99, p.Metrics.AvgFPS, p.Metrics.P99MS)
		}
		if x := temps.Get(); len(x) != 2 || *x[0] != 51.5 || x[1] != nil {
			t.Errorf("pass %d: samples read as %v", n, x)
		}
	}
	if err := rows.Err(); err != nil || n != len(games) {
		t.Errorf("%d passes were read, %v", n, err)
	}
}

// add stores pass number i of a game, checked.
func add(t *testing.T, s *store.Store, i int, game string) {
	t.Helper()
	sum := sha256.Sum256(fmt.Append(nil, "log ", i))
	f := record.Frames{MS: testlab.Scene{Seed: uint64(i), FPS: 60, Seconds: 3}.Frames(), Decimals: 3}
	figures, err := metrics.Compute(f)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 4, 9, i, 0, 250_000_000, time.UTC)
	saved, err := s.Save(ctx, store.Arrival{
		Pass: record.Pass{
			SHA256: hex.EncodeToString(sum[:]), Bench: "bench-1", Log: fmt.Sprintf("/logs/%d.csv", i), StartedAt: at, EndedAt: at.Add(3 * time.Second),
			Tags:    record.Tags{"game": {Value: game, From: record.FromPath}, "campaign": {Value: "spring", From: record.FromPlan}},
			Metrics: figures,
		},
		Frames: f,
		Telemetry: &record.Telemetry{
			At:     []time.Time{at, at.Add(time.Second)},
			Series: []record.Series{{Name: "cpu.temp", Unit: "degrees C", Source: "test", Values: []float64{51.5, math.NaN()}}},
		},
		File: store.FileMark{Path: fmt.Sprintf("/logs/%d.csv", i), Size: 9, ModTime: at},
	})
	if err == nil {
		err = s.Finish(ctx, saved.ID, []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}, record.Clean)
	}
	if err != nil {
		t.Fatal(err)
	}
}
