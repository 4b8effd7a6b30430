package store_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/store"
)

// aged stores a judged pass with its log and samples that ran so many days ago.
func aged(t *testing.T, s *store.Store, i, days int, change func(*store.Arrival)) string {
	t.Helper()
	at := day.AddDate(0, 0, -days)
	a := arrivalOf(fmt.Sprint("log ", i), fmt.Sprintf("/logs/%d.csv", i), at, record.Frames{MS: []float64{10, 11, float64(20 + i)}})
	a.LogBytes = []byte(fmt.Sprint("log ", i))
	if change != nil {
		change(&a)
	}
	id := mustSave(t, s, a).ID
	if err := s.Finish(ctx, id, nil, record.Clean); err != nil {
		t.Fatal(err)
	}
	if err := s.MarkNotified(ctx, id); err != nil {
		t.Fatal(err)
	}
	return id
}

func kept(t *testing.T, s *store.Store, id string) (log, samples bool) {
	t.Helper()
	l, err := s.Log(ctx, id, store.Current)
	if err != nil {
		t.Fatal(err)
	}
	tele, err := s.Telemetry(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	return l.Bytes != nil, tele != nil
}

func TestRetention(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	ids := []string{
		aged(t, s, 0, 100, nil),
		aged(t, s, 1, 50, nil),
		aged(t, s, 2, 5, nil),
		aged(t, s, 3, 100, func(a *store.Arrival) { a.Pass.Tags["campaign"] = record.Tag{Value: "spring", From: record.FromPlan} }),
		aged(t, s, 4, 100, nil),
	}
	grown := arrivalOf("log 0 and more", "/logs/0.csv", day.AddDate(0, 0, -100), record.Frames{MS: []float64{10, 11, 20, 21}})
	grown.LogBytes = []byte("log 0 and more")
	if got := mustSave(t, s, grown); got.ID != ids[0] {
		t.Fatal("the log did not grow")
	}
	open := arrivalOf("not judged", "/logs/open.csv", day.AddDate(0, 0, -100), record.Frames{MS: []float64{9, 9}})
	open.LogBytes = []byte("not judged")
	mustSave(t, s, open)
	if err := s.MarkUsed(ctx, ids[4:], "/reports/spring"); err != nil {
		t.Fatal(err)
	}
	if err := s.MarkUsed(ctx, []string{"ffff"}, "/reports/spring"); err == nil {
		t.Error("a pass that is not there was marked")
	}
	rules := store.Retention{LogsBefore: day.AddDate(0, 0, -30), TelemetryBefore: day.AddDate(0, 0, -60)}

	// The grown pass waits for its checks: it loses nothing yet.
	plan, err := s.Retain(ctx, rules, false)
	if err != nil || len(plan.Passes) != 1 || plan.Passes[0].Pass != ids[1] || plan.Passes[0].LogBytes == 0 || plan.Passes[0].Telemetry != 0 {
		t.Errorf("plan %+v, %v", plan, err)
	}
	if plan.InCampaign != 1 || plan.InUse != 1 || plan.Unfinished != 2 {
		t.Errorf("protected %+v", plan)
	}
	for _, id := range ids {
		if log, samples := kept(t, s, id); !log || !samples {
			t.Errorf("looking alone took something of %s", id)
		}
	}
	if err := s.Finish(ctx, ids[0], nil, record.Clean); err != nil {
		t.Fatal(err)
	}
	if err := s.MarkNotified(ctx, ids[0]); err != nil {
		t.Fatal(err)
	}
	// Who calls may know of more passes to keep.
	keeping := rules
	keeping.Keep = []string{ids[1], ids[3], "ffff"}
	if done, err := s.Retain(ctx, keeping, true); err != nil || len(done.Passes) != 1 || done.Passes[0].Pass != ids[0] || done.Passes[0].Telemetry == 0 || done.Kept != 1 || done.InCampaign != 1 {
		t.Errorf("keeping one more: %+v, %v", done, err)
	}
	if log, samples := kept(t, s, ids[1]); !log || !samples {
		t.Error("a pass to keep lost something")
	}
	before := query(t, s, "SELECT * FROM passes ORDER BY id")
	done, err := s.Retain(ctx, rules, true)
	if err != nil || len(done.Passes) != 1 || done.Passes[0].Pass != ids[1] || done.Passes[0].LogBytes == 0 {
		t.Errorf("done %+v, %v", done, err)
	}
	for i, want := range [][2]bool{{false, false}, {false, true}, {true, true}, {true, true}, {true, true}} {
		if log, samples := kept(t, s, ids[i]); log != want[0] || samples != want[1] {
			t.Errorf("pass %d: log kept %v, samples %v, want %v", i, log, samples, want)
		}
	}
	if left := countBlobs(t, path); left != 4 { // of the passes 2, 3, 4 and the one that is not judged: none of an old revision
		t.Errorf("%d logs are left", left)
	}
	if after := query(t, s, "SELECT * FROM passes ORDER BY id"); fmt.Sprint(after) != fmt.Sprint(before) {
		t.Error("retention changed more than logs and samples")
	}
	if at, err := s.Dropped(ctx, ids[0], "log"); err != nil || at.IsZero() {
		t.Errorf("dropped at %v, %v", at, err)
	}
	if e, err := s.Evidence(ctx, ids[0]); err != nil || !strings.Contains(e.TelemetryWhy, "capctl retain") {
		t.Errorf("why there are no samples: %q, %v", e.TelemetryWhy, err)
	}
	if again, err := s.Retain(ctx, rules, true); err != nil || len(again.Passes) != 0 {
		t.Errorf("a second time %+v, %v", again, err)
	}
	if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
	if none, err := s.Retain(ctx, store.Retention{}, true); err != nil || len(none.Passes) != 0 || none.InUse != 0 {
		t.Errorf("without rules %+v, %v", none, err)
	}
}

// TestSalvageKeepsRetention: what a report uses stays protected in the salvaged store,
// and what was dropped stays said. The pass before it is damaged, so that the numbers of
// the rows differ.
func TestSalvageKeepsRetention(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	aged(t, s, 0, 100, nil)
	used, bare, free := aged(t, s, 1, 100, nil), aged(t, s, 2, 100, nil), aged(t, s, 3, 50, nil)
	if err := s.MarkUsed(ctx, []string{used}, "/reports/spring"); err != nil {
		t.Fatal(err)
	}
	rules := store.Retention{LogsBefore: day.AddDate(0, 0, -80), TelemetryBefore: day.AddDate(0, 0, -80)}
	if _, err := s.Retain(ctx, rules, true); err != nil {
		t.Fatal(err)
	}
	when, err := s.Dropped(ctx, bare, "log")
	if err != nil || when.IsZero() {
		t.Fatal("nothing was dropped", err)
	}
	execute(t, path, `UPDATE archives SET frames = x'' WHERE revision = 1`)
	to := filepath.Join(t.TempDir(), "salvaged.db")
	if r, err := s.Salvage(ctx, to); err != nil || r.Whole != 3 || len(r.Problems) != 1 {
		t.Fatalf("%+v, %v", r, err)
	}
	saved := mustOpen(t, to)
	for _, part := range []string{"log", "telemetry"} {
		if at, err := saved.Dropped(ctx, bare, part); err != nil || !at.Equal(when) {
			t.Errorf("%s dropped at %v, %v, want %v", part, at, err, when)
		}
		if at, err := saved.Dropped(ctx, free, part); err != nil || !at.IsZero() {
			t.Errorf("%s of a whole pass dropped at %v, %v", part, at, err)
		}
	}
	plan, err := saved.Retain(ctx, store.Retention{LogsBefore: day}, false)
	if err != nil || plan.InUse != 1 || len(plan.Passes) != 1 || plan.Passes[0].Pass != free {
		t.Errorf("%+v, %v", plan, err)
	}

	execute(t, path, `DROP TABLE uses`)
	r, err := s.Salvage(ctx, filepath.Join(t.TempDir(), "again.db"))
	copied := 0
	for _, p := range r.Problems {
		if p.Copied && strings.Contains(p.What, "what retention noted of it") {
			copied++
		}
	}
	if err != nil || copied != 3 || len(r.Problems) != 4 {
		t.Errorf("without the table of uses: %+v, %v", r, err)
	}
}

func countBlobs(t *testing.T, path string) (n int) {
	t.Helper()
	db := rawOpen(t, path)
	if err := db.QueryRow("SELECT count(*) FROM archives WHERE log IS NOT NULL").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
