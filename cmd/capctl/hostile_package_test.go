package main

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
)

// TestHostilePackage: a package may hold odd fields that no rule refuses. Every reading
// command then still ends with one of its own statuses and words, figures are those of the
// frames, and what is said by hand afterwards holds.
func TestHostilePackage(t *testing.T) {
	a, b := newRoom(t), newRoom(t)
	settings := "bench = \"bench-1\"\ndata = \"data\"\nwatch = \"logs\"\n"
	a.write("capd.toml", settings)
	b.write("capd.toml", settings)
	at := time.Date(2026, 4, 2, 9, 0, 0, 0, time.UTC)
	for i := range 6 {
		frames := record.Frames{MS: make([]float64, 600), Decimals: 3}
		for j := range frames.MS {
			frames.MS[j] = 14 + float64((i+j)%7)/8
		}
		figures, err := metrics.Compute(frames)
		if err != nil {
			t.Fatal(err)
		}
		start := at.Add(time.Duration(i) * time.Minute)
		p := record.Pass{Bench: "bench-1", Log: fmt.Sprintf("logs/%d.csv", i), StartedAt: start, EndedAt: start.Add(9 * time.Second), LogAt: start.Add(10 * time.Second), Metrics: figures, Tags: record.Tags{}}
		p.SHA256 = fmt.Sprintf("%x", sha256.Sum256([]byte(p.Log)))
		for name, value := range map[string]string{"gpu": []string{"40", "60"}[i/3], "cpu": "Basalt 8", "game": "river", "resolution": "1080p", "preset": "high"} {
			p.Tags[name] = record.Tag{Value: value, From: record.FromPath}
		}
		got, err := a.s.Save(t.Context(), store.Arrival{Pass: p, Frames: frames})
		if err == nil {
			err = a.s.Finish(t.Context(), got.ID, []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}, record.Clean)
		}
		if err == nil {
			err = a.s.MarkNotified(t.Context(), got.ID)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	made := filepath.Join(a.dir, "package")
	if status, _, said := a.run("export", "--format", "jsonl", "--out", made); status != 0 {
		t.Fatal(said)
	}
	odd := []func(p map[string]any){
		func(p map[string]any) { p["revision"] = math.MaxInt32 },
		func(p map[string]any) { p["verdict"], p["overruled"] = "clean", "it is fine "+hostile },
		func(p map[string]any) { p["log"], p["names"] = "../../../"+hostile, []string{"/", hostile} },
		func(p map[string]any) {
			p["started_at"], p["ended_at"], p["log_at"] = "9998-12-31T23:58:59-23:59", "9998-12-31T23:59:59-23:59", "9998-12-31T23:59:59-23:59"
		},
		func(p map[string]any) {
			p["findings"] = []map[string]any{{"check": hostile, "version": hostile, "outcome": "bad", "reason": hostile, "numbers": map[string]float64{"x": 1e308, hostile: -1e308}}}
			p["verdict"] = "bad"
		},
		func(p map[string]any) {
			p["metrics"] = map[string]any{"frames": 1 << 53, "duration_s": 1e308, "avg_fps": 1e308, "low1_fps": -1, "hitches": -5} // refused: its frames say otherwise
			p["tags"] = map[string]any{"game": map[string]any{"value": "river", "from": "hand"}, hostile: map[string]any{"value": hostile, "from": hostile}}
		},
	}
	n := 0
	err := filepath.WalkDir(made, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.Contains(path, "pass") || !strings.HasSuffix(path, ".jsonl") {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		var out []string
		for line := range strings.Lines(string(text)) {
			var row map[string]any
			var pass map[string]any
			if json.Unmarshal([]byte(line), &row) != nil || row["pass"] == nil || json.Unmarshal([]byte(row["pass"].(string)), &pass) != nil {
				out = append(out, strings.TrimSuffix(line, "\n"))
				continue
			}
			odd[n%len(odd)](pass)
			n++
			inner, _ := json.Marshal(pass)
			row["pass"] = string(inner)
			outer, _ := json.Marshal(row)
			out = append(out, string(outer))
		}
		return os.WriteFile(path, []byte(strings.Join(out, "\n")+"\n"), 0o600)
	})
	if err != nil || n != 6 {
		t.Fatalf("%d passes altered, %v", n, err)
	}
	status, _, said := b.run("import", made)
	t.Logf("import ends with %d: %s", status, said)
	list, err := b.s.Passes(t.Context(), store.Filter{})
	if err != nil || len(list) == 0 {
		t.Fatalf("%d passes, %v", len(list), err)
	}
	for _, p := range list {
		if p.Metrics.AvgFPS < 50 || p.Metrics.AvgFPS > 90 || p.Metrics.Hitches < 0 {
			t.Errorf("pass %s has figures that its frames have not: %+v", p.ID, p.Metrics)
		}
	}
	id := list[0].ID
	for _, args := range [][]string{
		{"passes"}, {"show", id}, {"cells"}, {"compare", "--by", "gpu", "--any"}, {"odd"}, {"limits"}, {"next"}, {"coverage"}, {"verify"}, {"systems"}, {"repeatability"}, {"value"}, {"holds"}, {"alerts"},
		{"report", "--out", filepath.Join(b.dir, "report")}, {"export", "--format", "jsonl", "--out", filepath.Join(b.dir, "again")}, {"export", "--out", filepath.Join(b.dir, "parquet")},
	} {
		for _, form := range [][]string{nil, {"--json"}} {
			if form != nil && (args[0] == "export" || args[0] == "report") {
				continue
			}
			status, out, said := b.run(append(args, form...)...)
			if status == 3 || strings.Contains(said, "panic") {
				t.Errorf("%q%q ends with %d: %.300s", args[:1], form, status, said)
			}
			check(t, args[0], out)
			check(t, args[0], said)
		}
	}
	var ids []string // all at once: each command starts the validators anew
	for _, p := range list {
		ids = append(ids, p.ID)
	}
	for _, said := range [][]string{{"tag", "preset=low"}, {"overrule", "bad"}} {
		args := append(append([]string{said[0]}, ids...), said[1], "--why", "I looked")
		if status, _, said := b.run(args...); status > 1 && !strings.Contains(said, "a validator did not answer") {
			t.Errorf("%s: %d, %s", args[0], status, said)
		}
	}
	if status, _, said := b.run("import", made); status > 1 {
		t.Errorf("import again: %d, %s", status, said)
	}
	list, _ = b.s.Passes(t.Context(), store.Filter{})
	for _, p := range list {
		if p.Verdict != record.VerdictBad || p.Tags.Value("preset") != "low" || p.Tags["preset"].From != record.FromHand {
			t.Errorf("what was said by hand is gone: %s %+v", p.Verdict, p.Tags)
		}
	}
	if status, out, said := b.run("verify"); status != 0 {
		t.Errorf("verify afterwards: %d %s %s", status, out, said)
	}
}
