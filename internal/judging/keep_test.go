package judging_test

import (
	"context"
	"errors"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"capd.example/internal/judging"
	"capd.example/plugins"
	"capd.example/plugins/completeness"
	"capd.example/record"
	"capd.example/store"
)

// asked is what a host knows of validators and of the pass that it asked them about last.
type asked struct {
	described []plugins.Description
	silent    map[string]string
	unknown   bool

	corrected bool // no answer of its own: how Keep is asked
}

func (a asked) Describe(context.Context) ([]plugins.Description, error) {
	return a.described, errors.New("some cannot be asked")
}

func (a asked) Unable() (map[string]string, bool) { return a.silent, a.unknown }

// judged is a store with one bad pass that has samples and these findings.
func judged(t *testing.T, findings []record.Finding) (*store.Store, store.Arrival, store.Saved) {
	t.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "lab.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	a := arrival("high", 1, 90)
	a.Telemetry = &record.Telemetry{At: []time.Time{a.Pass.StartedAt}, Series: []record.Series{{Name: record.SeriesBackground, Unit: "%", Values: []float64{80}}}}
	saved, err := s.Save(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{s.Finish(ctx, saved.ID, findings, record.VerdictBad), s.MarkNotified(ctx, saved.ID)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return s, a, saved
}

// A validator that gave no answer changes nothing, whatever stands beside it; where nobody
// knows which checks a program holds, any may be its that nobody answered for.
func TestNoAnswerChangesNothing(t *testing.T) {
	ctx := context.Background()
	stored := []record.Finding{
		{Check: "asserted", Outcome: record.Bad, Reason: "before"},
		{Check: "background", Outcome: record.Bad, Reason: "before"},
		{Check: "completeness", Outcome: record.OK, Reason: "before"},
		{Check: "off", Outcome: record.Bad, Reason: "before"},
		{Check: "ours", Outcome: record.Doubtful, Reason: "before"},
		{Check: "thermal", Outcome: record.NotChecked, Reason: "before"},
	}
	s, _, saved := judged(t, stored)
	said := func(outcome record.Outcome, checks ...string) (out []record.Finding) {
		for _, c := range checks {
			out = append(out, record.Finding{Check: c, Outcome: outcome, Reason: "now"})
		}
		return out
	}
	standard := []string{"background", "completeness", "thermal"}
	for _, x := range []struct {
		name string
		host asked
		now  []record.Finding
		want string
	}{
		{"all answer", asked{}, said(record.OK, standard...),
			"background ok now, completeness ok now, thermal ok now"},
		{"one crashes", asked{silent: map[string]string{"background": "crashed"}},
			append(said(record.NotChecked, "background"), said(record.OK, "completeness", "thermal")...),
			"background bad before, completeness ok now, thermal ok now"},
		{"one that had none either", asked{silent: map[string]string{"thermal": "crashed"}},
			append(said(record.OK, "background", "completeness"), said(record.NotChecked, "thermal")...),
			"background ok now, completeness ok now, thermal not-checked before"},
		{"a new one", asked{silent: map[string]string{"new": "crashed"}},
			append(said(record.OK, standard...), said(record.NotChecked, "new")...),
			"background ok now, completeness ok now, thermal ok now"},
		{"a program cannot be started", asked{silent: map[string]string{"program": "cannot be started"}, unknown: true},
			append(said(record.OK, standard...), said(record.NotChecked, "program")...),
			"background ok now, completeness ok now, ours doubtful before, thermal ok now"},
		{"none can be started", asked{silent: map[string]string{"bundled": "no space"}, unknown: true},
			said(record.NotChecked, "bundled"),
			"background bad before, completeness ok before, ours doubtful before, thermal not-checked before"},
		{"none after a correction", asked{silent: map[string]string{"completeness": "crashed", "bundled": "no space"}, unknown: true, corrected: true},
			said(record.NotChecked, "bundled"),
			"background bad before, completeness not-checked fine before its tags or its cell changed; no answer since: crashed, ours doubtful before, thermal not-checked before"},
		{"all answer after a correction", asked{corrected: true}, said(record.OK, standard...),
			"background ok now, completeness ok now, thermal ok now"},
	} {
		e, err := s.Evidence(ctx, saved.ID)
		if err != nil {
			t.Fatal(err)
		}
		got, err := judging.Keep(s, x.host, x.host.corrected, "asserted", "off")(ctx, e, x.now)
		if err != nil {
			t.Fatal(err)
		}
		var texts []string
		for _, f := range got {
			texts = append(texts, f.Check+" "+string(f.Outcome)+" "+f.Reason)
		}
		if text := strings.Join(texts, ", "); text != x.want {
			t.Errorf("%s: %s, want %s", x.name, text, x.want)
		}
	}
}

// Only what rested on the dropped samples is kept: a check that lacks earlier passes in a
// cell that the pass has joined says so, and one that runs says what it finds.
func TestKeepIsForChecksOfDroppedSamples(t *testing.T) {
	ctx := context.Background()
	stored := []record.Finding{
		{Check: "agreement", Outcome: record.Doubtful, Reason: "far from the cell"},
		{Check: "background", Outcome: record.Bad, Reason: "80 % of one core"},
		{Check: "completeness", Outcome: record.Bad, Reason: "short"},
		{Check: "ours", Outcome: record.Doubtful, Reason: "warm"},
		{Check: "thermal", Outcome: record.NotChecked, Reason: "no sensor"},
	}
	s, a, saved := judged(t, stored)
	host := asked{described: []plugins.Description{{Name: "agreement", Needs: []string{"earlier passes of the cell"}}, {Name: "ours", Needs: []string{"Telemetry of the room"}}}}
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
		got, err := judging.Keep(s, host, false)(ctx, e, now)
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

// A pass during which the machine slept stays bad when the samples are gone, and one during which
// it did not is no worse than what else is remembered of it.
func TestKeepRemembersSleep(t *testing.T) {
	for _, c := range []struct {
		slept  float64
		want   record.Outcome
		reason string
	}{
		{0, record.Doubtful, "the log covers 60.0 s, but the pass took 92.0 s (3 s allowed)"},
		{31.5, record.Bad, "the machine slept for 31.5 s during the pass (0.5 s allowed); the log covers 60.0 s, but the pass took 92.0 s (3 s allowed)"},
	} {
		now := record.Finding{Check: "completeness", Outcome: record.OK, Params: map[string]string{"slept_s": "0.5", "window_s": "3"},
			Numbers: map[string]float64{"got_s": 60}}
		was := now
		was.Numbers = map[string]float64{"got_s": 60, "slept_s": c.slept, "window_s": 92}
		if got := completeness.Remember(now, was); got.Outcome != c.want || got.Reason != c.reason || got.Numbers["slept_s"] != c.slept || len(now.Numbers) != 1 {
			t.Errorf("slept %g s: %+v", c.slept, got)
		}
	}
}

// A log that was shorter than the time over which the bench was sampled for it stays
// doubtful when the samples are gone; a limit that was set since counts, and so does what
// else is found now.
func TestKeepRemembersHowLongTheBenchWasSampled(t *testing.T) {
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "lab.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	a := arrival("high", 1, 90) // 60 s long
	a.Telemetry = &record.Telemetry{At: []time.Time{a.Pass.StartedAt, a.Pass.StartedAt.Add(90 * time.Second)},
		Series: []record.Series{{Name: record.SeriesBackground, Unit: "%", Values: []float64{1, 1}}}}
	saved, err := s.Save(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	check := func(expected float64, params map[string]string) record.Finding {
		t.Helper()
		e, err := s.Evidence(ctx, saved.ID)
		if err != nil {
			t.Fatal(err)
		}
		e.Expected.DurationS = expected
		now := []record.Finding{plugins.Run(ctx, completeness.Validator{}, e, params)}
		if now, err = judging.Keep(s, asked{}, false)(ctx, e, now); err != nil {
			t.Fatal(err)
		}
		return now[0]
	}
	first := check(60, nil)
	if first.Outcome != record.Doubtful {
		t.Fatalf("with samples: %+v", first)
	}
	for _, err := range []error{s.Finish(ctx, saved.ID, []record.Finding{first}, record.VerdictDoubtful), s.MarkNotified(ctx, saved.ID)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Retain(ctx, store.Retention{TelemetryBefore: a.Pass.StartedAt.Add(time.Hour)}, true); err != nil {
		t.Fatal(err)
	}
	if again := check(60, nil); !reflect.DeepEqual(again, first) {
		t.Errorf("without samples\n%+v, before\n%+v", again, first)
	}
	if loose := check(60, map[string]string{"window_s": "40"}); loose.Outcome != record.OK || loose.Numbers["window_s"] != 90 {
		t.Errorf("with a looser limit: %+v", loose)
	}
	if longer := check(120, nil); longer.Outcome != record.Bad || !strings.Contains(longer.Reason, "of the 120.0 s expected") || !strings.Contains(longer.Reason, "but the pass took 90.0 s") {
		t.Errorf("with a longer scene: %+v", longer)
	}
	if unknown := check(0, nil); unknown.Outcome != record.Doubtful || unknown.Reason != first.Reason {
		t.Errorf("with no length expected: %+v", unknown)
	}
}
