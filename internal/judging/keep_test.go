package judging_test

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"capd.example/internal/judging"
	"capd.example/plugins"
	"capd.example/record"
	"capd.example/store"
)

// Only what rested on the dropped samples is kept: a check that lacks earlier passes in a
// cell that the pass has joined says so, and one that runs says what it finds.
func TestKeepIsForChecksOfDroppedSamples(t *testing.T) {
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "lab.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	a := arrival("high", 1, 90)
	a.Telemetry = &record.Telemetry{At: []time.Time{a.Pass.StartedAt}, Series: []record.Series{{Name: record.SeriesBackground, Unit: "%", Values: []float64{80}}}}
	saved, err := s.Save(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	stored := []record.Finding{
		{Check: "agreement", Outcome: record.Doubtful, Reason: "far from the cell"},
		{Check: "background", Outcome: record.Bad, Reason: "80 % of one core"},
		{Check: "completeness", Outcome: record.Bad, Reason: "short"},
		{Check: "ours", Outcome: record.Doubtful, Reason: "warm"},
		{Check: "thermal", Outcome: record.NotChecked, Reason: "no sensor"},
	}
	for _, err := range []error{s.Finish(ctx, saved.ID, stored, record.VerdictBad), s.MarkNotified(ctx, saved.ID)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	describe := func(context.Context) ([]plugins.Description, error) {
		return []plugins.Description{{Name: "agreement", Needs: []string{"earlier passes of the cell"}}, {Name: "ours", Needs: []string{"Telemetry of the room"}}}, errors.New("some cannot be asked")
	}
	look := func() map[string]record.Finding {
		t.Helper()
		e, err := s.Evidence(ctx, saved.ID)
		if err != nil {
			t.Fatal(err)
		}
		now := []record.Finding{
			{Check: "agreement", Outcome: record.NotChecked, Reason: "this is the first usable pass of its cell"},
			{Check: "background", Outcome: record.NotChecked, Reason: "there is no telemetry: " + e.TelemetryWhy},
			{Check: "completeness", Outcome: record.OK, Reason: "long enough for the new plan"},
			{Check: "ours", Outcome: record.NotChecked, Reason: "nothing to look at"},
			{Check: "thermal", Outcome: record.NotChecked, Reason: "there is no telemetry: " + e.TelemetryWhy},
		}
		got, err := judging.Keep(s, describe)(ctx, e, now)
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]record.Finding{}
		for _, f := range got {
			out[f.Check] = f
		}
		return out
	}
	for check, f := range look() {
		if want := map[bool]record.Outcome{true: record.OK, false: record.NotChecked}[check == "completeness"]; f.Outcome != want {
			t.Errorf("with samples %s: %+v", check, f)
		}
	}
	done, err := s.Retain(ctx, store.Retention{TelemetryBefore: a.Pass.StartedAt.Add(time.Hour)}, true)
	if err != nil || len(done.Passes) != 1 {
		t.Fatalf("%+v, %v", done, err)
	}
	want := map[string]record.Outcome{"agreement": record.NotChecked, "background": record.Bad, "completeness": record.OK, "ours": record.Doubtful, "thermal": record.NotChecked}
	for check, f := range look() {
		if f.Outcome != want[check] {
			t.Errorf("without samples %s: %+v", check, f)
		}
	}
}
