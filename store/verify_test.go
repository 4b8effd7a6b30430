package store_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/store"
)

// lived makes a store whose passes have all that a pass can have: findings, corrections,
// a verdict by hand and one taken back, another name, an older revision, a kept log,
// dropped samples, a report that uses it.
func lived(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	var ids []string
	for i := range 6 {
		a := shortArrival(i)
		a.LogBytes = []byte(strings.Repeat(fmt.Sprint("took_ms ", i, "\n"), 20))
		id := mustSave(t, s, a).ID
		ids = append(ids, id)
		findings := []record.Finding{
			{Check: "completeness", Version: "1", Outcome: record.OK, Reason: "the log covers 1.1 s", Numbers: map[string]float64{"got_s": 1.1 + float64(i)}, Params: map[string]string{"tolerance": "0.5"}},
			{Check: "thermal", Version: "2", Outcome: record.Doubtful, Reason: "91 degrees C", Advice: "let it cool down", Numbers: map[string]float64{"limit": 90}},
		}
		must(t, s.Finish(ctx, id, findings, record.VerdictDoubtful))
		must(t, s.MarkNotified(ctx, id))
	}
	_, err := s.Retag(ctx, ids[:2], map[string]string{"game": "Tin Valley", "note": "second build"}, "jo", "wrong folder")
	must(t, err)
	must(t, s.Overrule(ctx, ids[1], record.VerdictBad, "the cooler fell off", "jo"))
	must(t, s.Overrule(ctx, ids[2], record.Clean, "looked at it", "jo"))
	p, err := s.Pass(ctx, ids[2])
	must(t, err)
	must(t, s.TakeBack(ctx, p, "no", "jo", nil))
	must(t, s.ReplaceFindings(ctx, ids[3], []record.Finding{{Check: "completeness", Outcome: record.Bad, Reason: "short"}}, record.VerdictBad, "new limit", "jo"))
	must(t, s.MarkUsed(ctx, ids[3:4], "/reports/spring"))
	a := shortArrival(0)
	a.Pass.Log = "/elsewhere/copy.csv"
	mustSave(t, s, a)
	grown := arrivalOf("log 5 and more", "/logs/pass5.csv", shortArrival(5).Pass.StartedAt, record.Frames{MS: append(shortArrival(5).Frames.MS, 11, 12), Decimals: 3})
	if got := mustSave(t, s, grown); got.Revision != 1 {
		t.Fatalf("%+v", got)
	}
	_, err = s.Retain(ctx, store.Retention{TelemetryBefore: shortArrival(1).Pass.StartedAt}, true)
	must(t, err)
	must(t, s.Close())
	return path
}

func shortArrival(i int) store.Arrival {
	return arrivalOf(fmt.Sprint("log ", i), fmt.Sprintf("/logs/pass%d.csv", i), arrival(i).Pass.StartedAt, record.Frames{MS: testlab.Scene{Seed: uint64(i), FPS: 90, Seconds: 2}.Frames(), Decimals: 3})
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// answers are what the commands print from a store: all passes, each alone with what hangs
// on it, cells and systems.
func answers(s *store.Store) (string, error) {
	var out []any
	all, err := s.Passes(ctx, store.Filter{})
	out = append(out, all)
	for _, p := range all {
		if err != nil {
			return "", err
		}
		var one record.Pass
		if one, err = s.Pass(ctx, p.ID); err == nil {
			var f record.Frames
			f, err = s.Frames(ctx, p.ID)
			out = append(out, one, f)
		}
		if err == nil {
			var t *record.Telemetry
			t, err = s.Telemetry(ctx, p.ID)
			out = append(out, fmt.Sprint(t == nil))
			if t != nil {
				out = append(out, fmt.Sprint(*t))
			}
		}
		if err == nil {
			var j []store.Judgement
			j, err = s.Judgements(ctx, p.ID)
			out = append(out, j)
		}
		if err == nil {
			var h []store.TagChange
			h, err = s.TagHistory(ctx, p.ID)
			out = append(out, h)
		}
		if err == nil {
			var sys record.System
			sys, err = s.System(ctx, p.System)
			out = append(out, sys)
		}
	}
	for _, f := range []store.Filter{{Verdicts: []record.Verdict{record.VerdictBad}}, {Tags: map[string]string{"game": "Tin Valley"}}, {Tags: map[string]string{"note": "second build"}}, {Bench: "bench-1", Newest: true}} {
		if err == nil {
			all, err = s.Passes(ctx, f)
			out = append(out, all)
		}
	}
	if err == nil {
		var seen []store.SystemSeen
		seen, err = s.Systems(ctx)
		out = append(out, seen)
	}
	for _, text := range []string{"SELECT * FROM cells ORDER BY cell", "SELECT cell, count(*), avg(avg_fps), avg(low1_fps) FROM figures GROUP BY cell", "SELECT * FROM passes ORDER BY at", "SELECT * FROM findings ORDER BY pass, \"check\"", "SELECT * FROM tags ORDER BY pass, name"} {
		if err != nil {
			return "", err
		}
		var rows *store.Rows
		if rows, err = s.Query(ctx, text); err != nil {
			return "", err
		}
		for {
			var row []any
			if row, err = rows.Next(); err != nil || row == nil {
				break
			}
			out = append(out, row)
		}
		rows.Close()
	}
	if err != nil {
		return "", err
	}
	text, err := json.Marshal(out)
	return string(text), err
}

// ask returns the answers of a store and what 'capctl verify' says of it.
func ask(path string) (text string, r store.Report, err error) {
	s, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		r.Problems = append(r.Problems, store.Problem{What: err.Error()})
		return "", r, err
	}
	defer s.Close()
	if text, err = answers(s); err != nil {
		text = ""
	}
	r, err = s.Verify(ctx)
	return text, r, err
}

// TestNoFlippedBitChangesAnAnswerUnseen flips single bits of a store's file at random. Where
// what the commands print is another than before, or no longer there, verify tells.
func TestNoFlippedBitChangesAnAnswerUnseen(t *testing.T) {
	path := lived(t)
	data, err := os.ReadFile(path)
	must(t, err)
	want, r, err := ask(path)
	if err != nil || len(r.Problems) > 0 || r.Whole != 6 {
		t.Fatalf("a sound store: %+v, %v", r, err)
	}
	flips := 300
	if testlab.Long(t) {
		flips = 20_000
	}
	// Most of a small file is empty; a bit in use says more.
	var used []int
	for i, b := range data {
		if b != 0 {
			used = append(used, i)
		}
	}
	rng := rand.New(rand.NewPCG(7, 1))
	type flip struct{ at, bit int }
	todo := make(chan flip)
	var changed, found, same atomic.Int64
	var wg sync.WaitGroup
	for range 4 {
		dir := t.TempDir()
		wg.Go(func() {
			file := filepath.Join(dir, "passes.db")
			for f := range todo {
				spoilt := append([]byte(nil), data...)
				spoilt[f.at] ^= 1 << f.bit
				if err := os.WriteFile(file, spoilt, 0o600); err != nil {
					t.Error(err)
					continue
				}
				got, r, err := ask(file)
				other, seen := got != want, err != nil || len(r.Problems) > 0
				switch {
				case other && !seen:
					t.Errorf("bit %d of byte %d (page %d): an answer changed and verify is content: %v", f.bit, f.at, f.at/4096+1, err)
				case other:
					changed.Add(1)
				case seen:
					found.Add(1)
				default:
					same.Add(1)
				}
			}
		})
	}
	for i := range flips {
		f := flip{rng.IntN(len(data)), rng.IntN(8)}
		if i%8 > 0 {
			f.at = used[rng.IntN(len(used))]
		}
		todo <- f
	}
	close(todo)
	wg.Wait()
	t.Logf("%d flips of %d bytes: %d changed an answer and were found, %d more were found, %d changed nothing", flips, len(data), changed.Load(), found.Load(), same.Load())
	if changed.Load() < int64(flips/20) {
		t.Error("hardly a flip changed an answer: the test says nothing")
	}
}
