package store_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/store"
)

// BenchmarkSave stores passes of 12,000 frames with a minute of telemetry.
func BenchmarkSave(b *testing.B) {
	s := newStore(b)
	ms := testlab.Scene{Seed: 1, FPS: 200, Seconds: 70}.Frames()[:12000]
	i := 0
	for b.Loop() {
		i++
		a := arrivalOf(fmt.Sprint("log ", i), fmt.Sprint("/logs/", i), day.Add(time.Duration(i)*time.Minute), record.Frames{MS: ms, Decimals: 3})
		mustSave(b, s, a)
	}
}

func BenchmarkFinish(b *testing.B) {
	s := newStore(b)
	id := mustSave(b, s, arrival(1)).ID
	findings := make([]record.Finding, 11)
	for i := range findings {
		findings[i] = record.Finding{Check: fmt.Sprint("check-", i), Outcome: record.OK, Reason: "all is well", Numbers: map[string]float64{"limit": 1}}
	}
	for b.Loop() {
		if err := s.Finish(ctx, id, findings, record.Clean); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkEarlier(b *testing.B) {
	s := newStore(b)
	for i := range 12 {
		mustSave(b, s, arrival(i))
	}
	cell := arrival(0).Pass.Tags.Cell(record.CellFactors)
	for b.Loop() {
		if list, err := s.Earlier(ctx, "bench-1", cell, "", 0); err != nil || len(list) != 12 {
			b.Fatal(len(list), err)
		}
	}
}

func BenchmarkOpen(b *testing.B) {
	path := filepath.Join(b.TempDir(), "passes.db")
	mustOpen(b, path)
	for b.Loop() {
		s, err := store.Open(ctx, path, store.Options{ReadOnly: true})
		if err != nil {
			b.Fatal(err)
		}
		s.Close()
	}
}
