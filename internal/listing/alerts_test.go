package listing

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/internal/cli"
	"capd.example/notify"
	"capd.example/record"
	"capd.example/store"
)

// shelf is a store with judged passes of one cell, one a minute.
func shelf(t *testing.T, verdicts ...record.Verdict) (*store.Store, []record.Pass) {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	var out []record.Pass
	for i, v := range verdicts {
		began := time.Date(2026, 3, 1, 12, i, 0, 0, time.UTC)
		p := record.Pass{SHA256: fmt.Sprintf("%064x", i+1), Bench: "bench-1", Log: fmt.Sprintf("/logs/%d.csv", i), StartedAt: began,
			EndedAt: began.Add(30 * time.Second), LogAt: began, Metrics: record.Metrics{AvgFPS: 90, Low1FPS: 70, Frames: 3, DurationS: 1},
			Tags: record.Tags{record.TagGame: {Value: "Salt Flats", From: record.FromPath}, record.TagPass: {Value: "1", From: record.FromPath}}}
		got, err := s.Save(t.Context(), store.Arrival{Pass: p, Frames: record.Frames{MS: []float64{10, 11, 12}}})
		if err != nil {
			t.Fatal(err)
		}
		var findings []record.Finding
		if v == record.VerdictBad {
			findings = []record.Finding{{Check: "completeness", Outcome: record.Bad, Reason: "the log is short", Advice: "repeat the pass"}}
		}
		if err := s.Finish(t.Context(), got.ID, findings, v); err != nil {
			t.Fatal(err)
		}
		p.ID, p.Verdict, p.Findings = got.ID, v, findings
		out = append(out, p)
	}
	return s, out
}

// An alert about a pass that is clean by now is settled: it is shown as such, without what was to
// be done, and is not open. One about something else than a verdict stays.
func TestAlertsOfPassesThatAreCleanNow(t *testing.T) {
	s, p := shelf(t, record.VerdictBad, record.VerdictBad)
	changed := notify.Alert{ID: "changed", Kind: notify.Changed, Text: "another driver", Pass: &p[1]}
	for i, p := range p {
		a, _ := notify.FromPass(p, p.EndedAt)
		a.ID = fmt.Sprint("alert", i)
		for _, a := range []notify.Alert{a, changed} {
			payload, err := json.Marshal(a)
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Enqueue(t.Context(), store.Alert{ID: a.ID + "/terminal", PassID: a.Pass.ID, Channel: "terminal", Payload: payload}); err != nil {
				t.Fatal(err)
			}
		}
	}
	read := func(open bool) (ids, text string) {
		list, err := Alerts(t.Context(), s, open, 0)
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if err := PrintAlerts(&cli.Streams{Out: &out, Err: &out}, list, open, false); err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			ids += a.ID + " "
		}
		return ids, out.String()
	}
	if ids, text := read(true); ids != "alert1 changed alert0 " || strings.Count(text, "-> repeat the pass") != 2 {
		t.Errorf("open are %s\n%s", ids, text)
	}
	if err := s.Overrule(t.Context(), p[1].ID, record.Clean, "seen", "me"); err != nil {
		t.Fatal(err)
	}
	if ids, _ := read(true); ids != "changed alert0 " {
		t.Errorf("open are %s", ids)
	}
	if ids, text := read(false); ids != "alert1 changed alert0 " || strings.Count(text, "-> repeat the pass") != 1 ||
		strings.Count(text, "settled: clean now; it was BAD") != 1 {
		t.Errorf("%s\n%s", ids, text)
	}
}

// A bad pass that was recorded again says so, wherever the good one is, and its reason stays.
func TestRepeatedPassesAreListedAsSuch(t *testing.T) {
	s, p := shelf(t, record.VerdictBad, record.Clean, record.VerdictBad)
	bad := []record.Pass{p[0], p[2]}
	repeated, err := RepeatedSince(t.Context(), s, bad)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	PrintPasses(&cli.Streams{Out: &out, Err: &out}, bad, nil, repeated)
	if !strings.Contains(out.String(), "the log is short; repeated since by "+p[1].ID) ||
		strings.Count(out.String(), "repeated since") != 1 {
		t.Error(out.String())
	}
}
