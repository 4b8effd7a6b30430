package agent

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
)

// TestStoreIsVerifiedAtRest: part by part, never while a log is being recorded, and what is
// wrong is told once, with the pass.
func TestStoreIsVerifiedAtRest(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "passes.db")
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var ids []string
	for i := range 5 {
		f := record.Frames{MS: testlab.Scene{Seed: uint64(i), FPS: 60, Seconds: 2}.Frames(), Decimals: 3}
		figures, err := metrics.Compute(f)
		if err != nil {
			t.Fatal(err)
		}
		saved, err := s.Save(ctx, store.Arrival{Pass: record.Pass{SHA256: strings.Repeat(fmt.Sprint(i), 64), Bench: "b", Log: fmt.Sprint("/logs/", i), StartedAt: time.Now(), Metrics: figures}, Frames: f})
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, saved.ID)
	}
	rest := true
	var told []string
	v := inspector{store: s, atRest: func() bool { return rest }, tell: func(_ context.Context, what, advice string) { told = append(told, what+" -> "+advice) }}
	cycle := func() (parts int) {
		for {
			parts++
			done, err := v.part(ctx, 2)
			if err != nil || parts > 10 {
				t.Fatal(parts, err)
			}
			if done {
				return parts
			}
		}
	}
	if n := cycle(); n != 4 || len(told) > 0 {
		t.Errorf("a sound store of five passes: %d parts, told %q", n, told)
	}
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(`UPDATE pass_rows SET avg_fps = avg_fps * 2 WHERE id = ?`, ids[3]); err != nil {
		t.Fatal(err)
	}
	rest = false
	for range 10 {
		if done, err := v.part(ctx, 2); done || err != nil || v.after != 0 {
			t.Fatal("looked at while a log is being recorded", done, err)
		}
	}
	rest = true
	cycle()
	cycle()
	damaged := 0
	for _, line := range told {
		if strings.Contains(line, ids[3]) && strings.Contains(line, "/logs/3") && strings.Contains(line, "capctl verify") {
			damaged++
		}
	}
	if damaged != 1 {
		t.Errorf("told %q", told)
	}
}
