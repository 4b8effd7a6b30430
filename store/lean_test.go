package store_test

import (
	"database/sql"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
	"capd.example/store/internal/tables"
)

// What conclusions read is what the whole passes say, column by column.
func TestLeanPassesAreTheWholeOnes(t *testing.T) {
	s := newStore(t)
	for i := range 6 {
		a := arrival(i)
		if i == 2 {
			a.Pass.Claims = append(a.Pass.Claims, record.Claim{Name: "gpu", Value: "G", From: record.FromLater})
		}
		if i == 3 { // says the words without meaning them
			a.Pass.Claims = append(a.Pass.Claims, record.Claim{Name: "note", Value: `"from":"detected-later"`, From: record.FromPath})
		}
		if i == 5 { // origins are any text in a package
			a.Pass.Tags["scene"] = record.Tag{Value: "caves", From: "path,7 hand"}
			a.Pass.Tags["preset"] = record.Tag{Value: "high", From: "3 päth 12 "}
			a.Pass.Tags["mood"] = record.Tag{Value: "calm"}
		}
		id := mustSave(t, s, a).ID
		findings := []record.Finding{{Check: "cap", Outcome: record.OK, Reason: "none", Numbers: map[string]float64{"fps": 60}},
			{Check: "completeness", Outcome: record.OK, Reason: "all there"}}
		verdict := record.Clean
		if i == 4 {
			findings[1].Outcome, verdict = record.Bad, record.VerdictBad
		}
		if err := s.Finish(ctx, id, findings, verdict); err != nil {
			t.Fatal(err)
		}
	}
	whole, err := s.Passes(ctx, store.Filter{})
	if err != nil || len(whole) != 6 {
		t.Fatal(len(whole), err)
	}
	for _, checks := range [][]string{nil, {}, {"cap"}} {
		var lean []record.Pass
		if err := s.Lean(ctx, store.Filter{}, checks, func(p record.Pass) error {
			lean = append(lean, p)
			return nil
		}); err != nil || len(lean) != len(whole) {
			t.Fatal(len(lean), err)
		}
		for i, p := range lean {
			if p.SystemLater() != whole[i].SystemLater() {
				t.Errorf("pass %d: its system was found later: %v", i, p.SystemLater())
			}
			want := record.Pass{ID: whole[i].ID, Bench: whole[i].Bench, Log: whole[i].Log, SHA256: whole[i].SHA256, StartedAt: whole[i].StartedAt,
				EndedAt: whole[i].EndedAt, Tags: whole[i].Tags, System: whole[i].System, Verdict: whole[i].Verdict,
				Overruled: whole[i].Overruled, Metrics: whole[i].Metrics, Claims: p.Claims}
			for _, f := range whole[i].Findings {
				if checks != nil && (f.Outcome == record.Bad || slices.Contains(checks, f.Check)) {
					want.Findings = append(want.Findings, f)
				}
			}
			if !reflect.DeepEqual(p, want) {
				t.Errorf("pass %d with %v:\n%+v\n%+v", i, checks, p, want)
			}
		}
	}
}

func TestBatchesCountPassesByCampaign(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	mustOpen(t, path).Close()
	fill(t, path, 2000)
	s := mustOpen(t, path)
	for _, f := range []store.Filter{{}, {Bench: "bench 7"}, {Benches: []string{"bench 7", "bench 9"}}, {Tags: map[string]string{"gpu": "gpu 1*"}}} {
		got, err := s.Batches(ctx, f)
		if err != nil {
			t.Fatal(err)
		}
		passes, err := s.Passes(ctx, f)
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]store.Batch{}
		for _, p := range passes {
			if len(f.Benches) > 0 && !slices.Contains(f.Benches, p.Bench) {
				t.Fatalf("%+v selects a pass of %s", f, p.Bench)
			}
			name := p.Tags.Value(record.TagCampaign)
			b, seen := want[name]
			if !seen {
				b = store.Batch{Campaign: name, From: p.StartedAt}
			}
			b.Passes, b.To = b.Passes+1, p.StartedAt
			want[name] = b
		}
		if len(got) != len(want) || len(want) == 0 {
			t.Fatalf("%+v: %d campaigns, want %d", f, len(got), len(want))
		}
		for _, b := range got {
			if b != want[b.Campaign] {
				t.Errorf("%+v: %+v, want %+v", f, b, want[b.Campaign])
			}
		}
	}
}

// No question with a filter walks through all passes. A pattern of a bench or a campaign is
// the exception: no index serves it.
func TestFilteredQuestionsAreServedByAnIndex(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	mustOpen(t, path).Close()
	fill(t, path, 2000)
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	tags := func(name, value string) map[string]string { return map[string]string{name: value} }
	for name, f := range map[string]store.Filter{
		"campaign": {Campaign: "campaign 2"}, "no campaign": {Tags: tags("campaign", "")}, "bench": {Bench: "bench 7"},
		"benches": {Benches: []string{"bench 7", "bench 9"}}, "verdict": {Verdicts: []record.Verdict{record.VerdictBad}},
		"verdicts": {Verdicts: []record.Verdict{record.VerdictBad, record.VerdictDoubtful}}, "system": {System: "0123"},
		"game": {Tags: tags("game", "game 3")}, "card": {Tags: tags("gpu", "gpu 1*")}, "own tag": {Tags: tags("kit", "kit 3")},
		"since": {Since: time.Unix(1700000000, 0)}, "until": {Until: time.Unix(1700100000, 0)},
		"campaign and part": {Campaign: "campaign 2", Tags: tags("cpu", "cpu 4")},
	} {
		p, err := f.Plan(ctx, tx)
		if err != nil {
			t.Fatal(err)
		}
		text, args := p.From(p.Rarest())
		for _, question := range []string{`SELECT p.n FROM pass_rows p WHERE ` + text + ` ORDER BY p.at, p.n`,
			`SELECT p.campaign, count(*), min(p.at), max(p.at) FROM pass_rows p WHERE ` + text + ` GROUP BY p.campaign`} {
			if plan := planOf(t, tx, question, args...); strings.Contains(plan, "SCAN p") && !onlyTime(f) {
				t.Errorf("%s: %s\n%s", name, question, plan)
			}
		}
	}
	for _, text := range []string{tables.LeanQuery} {
		if plan := planOf(t, tx, text, "[1,2]"); strings.Contains(plan, "SCAN p") || strings.Contains(plan, "SCAN t") {
			t.Error(plan)
		}
	}
}

// onlyTime: a count by campaign of a stretch of time may walk one index or another.
func onlyTime(f store.Filter) bool { return !f.Since.IsZero() || !f.Until.IsZero() }

func planOf(t *testing.T, tx *sql.Tx, text string, args ...any) string {
	t.Helper()
	rows, err := tx.Query("EXPLAIN QUERY PLAN "+text, args...)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var lines []string
	for rows.Next() {
		var id, parent, unused int
		var detail string
		if err := rows.Scan(&id, &parent, &unused, &detail); err != nil {
			t.Fatal(err)
		}
		lines = append(lines, detail)
	}
	if len(lines) == 0 {
		t.Fatal("no plan")
	}
	return strings.Join(lines, "\n")
}
