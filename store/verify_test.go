package store_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
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
	for _, text := range []string{"SELECT cell, cpu, gpu, game, scene, resolution, preset, passes, used, printf('%.8g %.8g %.6g %.6g', avg_fps, low1_fps, avg_fps_sd, low1_fps_sd) FROM cells ORDER BY cell", "SELECT cell, count(*), avg(avg_fps), avg(low1_fps) FROM figures GROUP BY cell", "SELECT * FROM passes ORDER BY at", "SELECT * FROM findings ORDER BY pass, \"check\"", "SELECT * FROM tags ORDER BY pass, name"} {
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
	flips := 200
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

// TestStoreThatIsCutOff: of a file that ends too early everything is read that is there, and
// what was saved from it is what it was.
func TestStoreThatIsCutOff(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	want := map[string]record.Frames{}
	for i := range 20 {
		a := arrival(i)
		a.LogBytes = noise(i, 30_000)
		want[mustSave(t, s, a).ID] = a.Frames
	}
	must(t, s.Close())
	data, err := os.ReadFile(path)
	must(t, err)
	most, half, before := 0, 0, -1
	for _, size := range []int{0, 50, 1000, 4096, 20_000, len(data) / 2, len(data) * 3 / 4, len(data) - 4096, len(data) - 1} {
		file := filepath.Join(t.TempDir(), "passes.db")
		must(t, os.WriteFile(file, data[:size], 0o600))
		if _, err := store.Open(ctx, file, store.Options{ReadOnly: true}); err == nil && size <= len(data)-4096 {
			t.Errorf("%d bytes: opened as if it were whole", size)
		}
		s, err := store.OpenDamaged(ctx, file)
		if err != nil {
			if !errors.Is(err, store.ErrCorrupt) || strings.Contains(err.Error(), "capctl verify") || size > len(data)/2 {
				t.Errorf("%d bytes: %v", size, err)
			}
			continue
		}
		r, err := s.Verify(ctx)
		if err != nil || len(r.Problems) == 0 || !strings.Contains(r.Problems[0].What, "cut off") {
			t.Errorf("%d bytes: %+v, %v", size, r, err)
		}
		to := filepath.Join(t.TempDir(), "saved.db")
		saved, err := s.Salvage(ctx, to)
		s.Close()
		if err != nil {
			t.Errorf("%d bytes: %v", size, err)
			continue
		}
		t.Logf("%d of %d bytes: %d of %d passes whole, %d saved", size, len(data), r.Whole, r.Passes, saved.Whole)
		n := checkSaved(t, to, want)
		if n < before || n != saved.Whole || n != r.Whole {
			t.Errorf("%d bytes: %d passes saved, with less of the file %d; salvage says %d, verify %d", size, n, before, saved.Whole, r.Whole)
		}
		if most, before = n, n; size == len(data)/2 {
			half = n
		}
	}
	if most < 19 || half < 5 {
		t.Errorf("of a file that lacks one byte %d of 20 passes were saved, of half of it %d", most, half)
	}
}

// checkSaved counts the passes of a salvaged store, each as it was.
func checkSaved(t *testing.T, path string, want map[string]record.Frames) int {
	t.Helper()
	s := mustOpen(t, path)
	all, err := s.Passes(ctx, store.Filter{})
	must(t, err)
	for _, p := range all {
		if f, err := s.Frames(ctx, p.ID); err != nil || !reflect.DeepEqual(f, want[p.ID]) {
			t.Errorf("pass %s is not what it was: %v", p.ID, err)
		}
	}
	if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
		t.Errorf("the salvaged store: %+v, %v", r, err)
	}
	return len(all)
}

// TestWrongFigureIsNotMadeFinal: a figure that changed in the file is found with its pass
// and log, and salvage takes what the frame times give.
func TestWrongFigureIsNotMadeFinal(t *testing.T) {
	for _, column := range []string{"avg_fps", "p99_ms", "low01_fps", "hitches"} {
		path := lived(t)
		s := mustOpen(t, path)
		all, err := s.Passes(ctx, store.Filter{})
		must(t, err)
		p := all[1]
		execute(t, path, fmt.Sprintf("UPDATE pass_rows SET %s = %s * 1.5 + 1 WHERE id = '%s'", column, column, p.ID))
		r, err := s.Verify(ctx)
		if err != nil || !tells(r, p, "a figure changed") || !tells(r, p, column+" is") {
			t.Errorf("%s: %+v, %v", column, r, err)
		}
		to := filepath.Join(t.TempDir(), "saved.db")
		r, err = s.Salvage(ctx, to)
		if err != nil || !tells(r, p, "computed from its frame times") {
			t.Errorf("%s: salvage: %+v, %v", column, r, err)
		}
		got, err := mustOpen(t, to).Pass(ctx, p.ID)
		if err != nil || got.Metrics != p.Metrics {
			t.Errorf("%s: salvaged figures %+v, want %+v, %v", column, got.Metrics, p.Metrics, err)
		}
		if r, err := mustOpen(t, to).Verify(ctx); err != nil || len(r.Problems) > 0 {
			t.Errorf("%s: the salvaged store: %+v, %v", column, r, err)
		}
	}
}

func tells(r store.Report, p record.Pass, what string) bool {
	for _, x := range r.Problems {
		if x.Pass == p.ID && x.Log == p.Log && strings.Contains(x.What, what) {
			return true
		}
	}
	return false
}

// TestVerifyNamesThePass: whatever another program changed about a pass is told with its
// identity and its log, and salvage does not pass it on as sound. A change that the program
// makes afterwards does not make it sound.
func TestVerifyNamesThePass(t *testing.T) {
	for change, want := range map[string]string{
		`UPDATE pass_rows SET verdict = 'clean' WHERE n = 2`:                                               "its verdict or a finding changed",
		`UPDATE finding_rows SET numbers = '{"limit":99}' WHERE judgement = 2 AND seq = 1`:                 "its verdict or a finding changed",
		`UPDATE judgements SET reason = 'no' WHERE pass = 2 AND kind = 'overruled'`:                        "its verdict or a finding changed",
		`UPDATE tag_rows SET origin = 'plan' WHERE pass = 2 AND origin = 'hand'`:                           "a tag changed",
		`UPDATE tag_changes SET why = '' WHERE pass = 2`:                                                   "a tag changed",
		`UPDATE pass_rows SET campaign = 'spring' WHERE n = 2`:                                             "its cell changed since",
		`UPDATE pass_rows SET doc = replace(doc, '"Line":9', '"Line":8'), log_at = '' WHERE n = 2`:         "what is known of its log changed",
		`UPDATE archives SET log = NULL WHERE revision = 2`:                                                "what is known of its log changed",
		`UPDATE archives SET frames = (SELECT frames FROM archives WHERE revision = 3) WHERE revision = 2`: "its figures are not those of its frame times",
		`DROP TRIGGER pass_judged; DELETE FROM digests WHERE pass = 2`:                                     "its digest cannot be read",
		`PRAGMA foreign_keys = 0; DELETE FROM pass_rows WHERE n = 2`:                                       "its row is missing",
		`INSERT INTO uses VALUES (2, '/x', '')`:                                                            "what retention noted of it changed",
	} {
		path := lived(t)
		s := mustOpen(t, path)
		all, err := s.Passes(ctx, store.Filter{})
		must(t, err)
		p := all[1]
		execute(t, path, change)
		for round := range 2 {
			if round > 0 && (strings.Contains(want, "digest") || strings.Contains(want, "cell")) {
				break // a cell was taken from the tags again; what had no digest has one that fits nothing
			}
			if r, err := s.Verify(ctx); err != nil || !tells(r, p, want) {
				t.Errorf("%s: round %d: %+v, %v", change, round, r, err)
			}
			s.Overrule(ctx, p.ID, record.VerdictBad, "again", "jo")
			s.Retag(ctx, []string{p.ID}, map[string]string{"note": "again"}, "jo", "")
			s.MarkUsed(ctx, []string{p.ID}, "/reports/again")
		}
	}
}

// TestVerifyPartByPart: the parts together say what the whole says.
func TestVerifyPartByPart(t *testing.T) {
	path := lived(t)
	s := mustOpen(t, path)
	execute(t, path, `UPDATE pass_rows SET avg_fps = 1 WHERE n = 4; UPDATE cell_rows SET used = 99`)
	want, err := s.Verify(ctx)
	must(t, err)
	var got store.Report
	parts := 0
	for next, more := int64(0), true; more; more = next != 0 {
		var r store.Report
		r, next, err = s.VerifyPart(ctx, next, 4)
		must(t, err)
		got.Passes, got.Whole, got.Problems = got.Passes+r.Passes, got.Whole+r.Whole, append(got.Problems, r.Problems...)
		if parts++; parts > 3 || r.Passes > 4 {
			t.Fatalf("part %d: %+v", parts, r)
		}
	}
	if got.Passes != 6 || got.Whole != want.Whole || len(got.Problems) != len(want.Problems) || len(want.Problems) < 2 {
		t.Errorf("by parts %+v\nat once %+v", got, want)
	}
}

// TestHostileStore: what somebody planted in the file does not run. A store whose tables,
// views or triggers are not ours is not used; its passes can be had all the same.
func TestHostileStore(t *testing.T) {
	for _, planted := range []string{
		`CREATE TRIGGER helper AFTER INSERT ON judgements BEGIN UPDATE pass_rows SET verdict = 'clean'; END`,
		`DROP VIEW cells; CREATE VIEW cells AS SELECT 1 AS cell`,
		`DROP TRIGGER cell_changed`,
		`ALTER TABLE pass_rows ADD COLUMN extra TEXT AS (upper(verdict))`,
		`DROP TABLE settings; CREATE VIEW settings AS SELECT 'a' AS key, 'b' AS value`,
		`PRAGMA user_version = 5`, `PRAGMA user_version = 0`,
	} {
		path := lived(t)
		execute(t, path, planted)
		before, err := os.ReadFile(path)
		must(t, err)
		for _, readOnly := range []bool{true, false} {
			if _, err := store.Open(ctx, path, store.Options{ReadOnly: readOnly}); !errors.Is(err, store.ErrCorrupt) {
				t.Errorf("%s: opened (read only %v): %v", planted, readOnly, err)
			}
		}
		after, err := os.ReadFile(path)
		must(t, err)
		if !reflect.DeepEqual(before, after) {
			t.Errorf("%s: the file was changed", planted)
		}
		s, err := store.OpenDamaged(ctx, path)
		must(t, err)
		if r, err := s.Verify(ctx); err != nil || len(r.Problems) == 0 || r.Whole != 6 {
			t.Errorf("%s: %+v, %v", planted, r, err)
		}
		to := filepath.Join(t.TempDir(), "saved.db")
		if r, err := s.Salvage(ctx, to); err != nil || r.Whole != 6 {
			t.Errorf("%s: salvage: %+v, %v", planted, r, err)
		}
		s.Close()
		mustOpen(t, to)
	}
	// What somebody added for their own queries does no harm.
	path := lived(t)
	execute(t, path, `CREATE VIEW mine AS SELECT id FROM pass_rows; CREATE INDEX mine_too ON pass_rows (log); ANALYZE`)
	if r, err := mustOpen(t, path).Verify(ctx); err != nil || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
}
