package store_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
)

var ctx = context.Background()

var day = time.Date(2026, 3, 4, 9, 0, 0, 123456000, time.UTC)

func mustOpen(t testing.TB, path string) *store.Store {
	t.Helper()
	s, err := store.Open(ctx, path, store.Options{Now: func() time.Time { return day }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func newStore(t testing.TB) *store.Store {
	t.Helper()
	return mustOpen(t, filepath.Join(t.TempDir(), "passes.db"))
}

// arrival invents pass number i: its bytes, frame times, tags and system.
func arrival(i int) store.Arrival {
	frames := record.Frames{MS: testlab.Scene{Seed: uint64(i), FPS: 90, Seconds: 5}.Frames(), Decimals: 3}
	return arrivalOf(fmt.Sprintf("log %d", i), fmt.Sprintf("/logs/pass%d.csv", i), day.Add(time.Duration(i)*time.Minute), frames)
}

func arrivalOf(bytes, path string, at time.Time, f record.Frames) store.Arrival {
	sum := sha256.Sum256([]byte(bytes))
	sha := hex.EncodeToString(sum[:])
	sys := record.System{Fields: []record.Field{
		{Name: record.FieldProcessorName, Value: "Aster 7", Source: "test", Identity: true},
		{Name: record.FieldGraphicsDriver, Value: "31.4", Source: "test", Identity: true},
		{Name: "memory.voltage", Unknown: record.Refused},
	}}
	sys.ID = sys.Identity()
	return store.Arrival{
		Pass: record.Pass{
			SHA256: sha, Bench: "bench-1", Log: path, StartedAt: at, EndedAt: at.Add(5 * time.Second), LogAt: at.Add(7 * time.Second),
			Tags: record.Tags{
				record.TagGame:     {Value: "Glass Harbour", From: record.FromPath},
				record.TagGraphics: {Value: "Lumen 40", From: record.FromDetected},
				record.TagPreset:   {Value: "high", From: record.FromHeader},
				"memory kit":       {Value: "2 x 16", From: record.FromHand},
			},
			Metrics: figuresOf(f),
			Claims:  []record.Claim{{Name: record.TagGame, Value: "Glass Harbour", From: record.FromPath, Detail: "path template 1"}},
			Layout:  record.Layout{Delimiter: ",", Decimal: ".", Header: true, Source: "duration", Column: "took_ms", Unit: "ms"},
			Remarks: []record.Remark{{Kind: record.RemarkCutOff, Line: 9, Count: 1, Text: "the last line ends in the middle"}},
		},
		Frames: f, System: sys, Telemetry: telemetry(at),
		File: store.FileMark{Path: path, Size: int64(len(bytes)), ModTime: at, ID: "1:2"},
	}
}

// figuresOf are the figures of frame times; there are none where these make no pass.
func figuresOf(f record.Frames) record.Metrics {
	m, err := metrics.Compute(f)
	if err != nil {
		return record.Metrics{Frames: len(f.MS)}
	}
	return m
}

func telemetry(at time.Time) *record.Telemetry {
	t := &record.Telemetry{
		Processes: []record.ProcessUse{{Name: "updater", PID: 7, From: at, To: at.Add(time.Second), Percent: 12.5}},
		Missing:   []record.Gap{{Name: record.SeriesCPUPower, Why: record.Refused, Text: "counter"}},
	}
	busy, temp, odd := []float64{}, []float64{math.NaN()}, []float64{}
	for i := range 8 {
		t.At = append(t.At, at.Add(time.Duration(i)*time.Second+time.Duration(i*i)*time.Microsecond))
		busy = append(busy, 31.25+float64(i)/100)
		odd = append(odd, math.Sqrt(float64(i)))
		if i > 0 {
			temp = append(temp, 48+float64(i)/2)
		}
	}
	t.Series = []record.Series{
		{Name: record.SeriesBusy, Unit: "%", Source: "test", Values: busy},
		{Name: record.SeriesCPUTemp, Unit: "degrees C", Source: "test", Values: temp},
		{Name: "odd", Unit: "1", Source: "test", Values: odd},
	}
	return t
}

func mustSave(t testing.TB, s *store.Store, a store.Arrival) store.Saved {
	t.Helper()
	saved, err := s.Save(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	return saved
}

func TestSaveAndReadBack(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new folder", "a ?#% b", "passes.db")
	s := mustOpen(t, path)
	a := arrival(1)
	a.LogBytes = []byte("took_ms\n1\n")
	saved := mustSave(t, s, a)
	if !saved.Created || saved.ID != record.PassID(a.Pass.SHA256) || saved.Revision != 0 {
		t.Fatalf("saved %+v", saved)
	}
	if _, err := os.Stat(path); err != nil {
		t.Fatalf("the store lies elsewhere: %v", err)
	}
	s.Close()

	s, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	e, err := s.Evidence(ctx, saved.ID[:6])
	if err != nil {
		t.Fatal(err)
	}
	want := a.Pass
	want.ID, want.System = saved.ID, a.System.ID
	if !reflect.DeepEqual(e.Pass, want) {
		t.Errorf("pass\n got %+v\nwant %+v", e.Pass, want)
	}
	if !reflect.DeepEqual(e.Frames, a.Frames) {
		t.Error("frame times differ")
	}
	if !reflect.DeepEqual(e.System, a.System) {
		t.Errorf("system %+v", e.System)
	}
	sameTelemetry(t, e.Telemetry, a.Telemetry)
	if log, err := s.Log(ctx, saved.ID, store.Current); err != nil || string(log.Bytes) != string(a.LogBytes) {
		t.Errorf("log %q, %v", log.Bytes, err)
	}
	if _, err := s.Save(ctx, arrival(2)); !errors.Is(err, store.ErrReadOnly) {
		t.Errorf("saved into a store opened for reading: %v", err)
	}
}

// sameTelemetry compares with NaN equal to NaN.
func sameTelemetry(t *testing.T, got, want *record.Telemetry) {
	t.Helper()
	if got == nil || fmt.Sprintf("%+v", *got) != fmt.Sprintf("%+v", *want) {
		t.Errorf("telemetry\n got %+v\nwant %+v", got, want)
	}
}

// TestNoDateIsNotStored: one time that no text can hold would make every reading of the store
// fail.
func TestNoDateIsNotStored(t *testing.T) {
	s := newStore(t)
	mustSave(t, s, arrival(1))
	for what, spoil := range map[string]func(p *record.Pass, at time.Time){
		"start": func(p *record.Pass, at time.Time) { p.StartedAt = at }, "end": func(p *record.Pass, at time.Time) { p.EndedAt = at }, "log": func(p *record.Pass, at time.Time) { p.LogAt = at },
	} {
		a := arrival(2)
		spoil(&a.Pass, time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC))
		if _, err := s.Save(t.Context(), a); err == nil || !strings.Contains(err.Error(), "no date") {
			t.Errorf("%s: %v", what, err)
		}
	}
	if all, err := s.Passes(t.Context(), store.Filter{}); err != nil || len(all) != 1 {
		t.Errorf("%d passes, %v", len(all), err)
	}
}

func TestSameBytesAreOnePass(t *testing.T) {
	s := newStore(t)
	a := arrival(1)
	first := mustSave(t, s, a)
	a.Pass.Log, a.File.Path = "/logs/copy.csv", "/logs/copy.csv"
	for range 2 {
		again := mustSave(t, s, a)
		if again.Created || again.ID != first.ID {
			t.Fatalf("the copy became %+v", again)
		}
	}
	p, err := s.Pass(ctx, first.ID)
	if err != nil || p.Log != "/logs/pass1.csv" || !reflect.DeepEqual(p.Names, []string{"/logs/copy.csv"}) {
		t.Errorf("%v, names %v, log %s", err, p.Names, p.Log)
	}
	if n, _ := s.Count(ctx, store.Filter{}); n != 1 {
		t.Errorf("%d passes", n)
	}
}

func TestGrownLogIsARevision(t *testing.T) {
	s := newStore(t)
	f := record.Frames{MS: []float64{10, 11, 12, 1}, Decimals: 0}
	a := arrivalOf("10,11,12,1", "/logs/a.csv", day, f)
	first := mustSave(t, s, a)
	if err := s.Finish(ctx, first.ID, []record.Finding{{Check: "completeness", Outcome: record.Bad, Reason: "short"}}, record.VerdictBad); err != nil {
		t.Fatal(err)
	}
	must(t, s.MarkNotified(ctx, first.ID))
	if _, err := s.Retag(ctx, []string{first.ID}, map[string]string{"game": "Tin Valley"}, "me", "wrong folder"); err != nil {
		t.Fatal(err)
	}
	grown := arrivalOf("10,11,12,13,14", "/logs/a.csv", day, record.Frames{MS: []float64{10, 11, 12, 13, 14}})
	grown.LogBytes = []byte("10,11,12,13,14")
	second := mustSave(t, s, grown)
	if !second.Created || second.ID != first.ID || second.Revision != 1 {
		t.Fatalf("the grown log became %+v", second)
	}
	p, _ := s.Pass(ctx, first.ID)
	if p.SHA256 != grown.Pass.SHA256 || p.Verdict != "" || len(p.Findings) != 0 || p.Tags.Value("game") != "Tin Valley" {
		t.Errorf("after growing: %+v", p)
	}
	if frames, err := s.Frames(ctx, first.ID); err != nil || len(frames.MS) != 5 {
		t.Errorf("frames %v, %v", frames, err)
	}
	old, err := s.Revisions(ctx, first.ID)
	if err != nil || len(old) != 1 || old[0].Pass.Verdict != record.VerdictBad || len(old[0].Frames.MS) != 4 {
		t.Errorf("old revisions %+v, %v", old, err)
	}
	for revision, want := range []string{string(a.LogBytes), string(grown.LogBytes)} {
		if log, err := s.Log(ctx, first.ID, revision); err != nil || string(log.Bytes) != want || log.Revision != revision {
			t.Errorf("log of revision %d: %+v, %v", revision, log, err)
		}
	}
	if log, err := s.Log(ctx, first.ID, 2); !errors.Is(err, store.ErrNoRevision) {
		t.Errorf("log of a revision that is not there: %+v, %v", log, err)
	}
	if again := mustSave(t, s, a); again.Created || again.ID != first.ID {
		t.Errorf("the old bytes came back as %+v", again)
	}
	// Another recording under the same name is another pass, larger or not.
	other := arrivalOf("20,21,22,23,24,25", "/logs/a.csv", day.Add(time.Hour), record.Frames{MS: []float64{20, 21, 22, 23, 24, 25}})
	if third := mustSave(t, s, other); !third.Created || third.ID == first.ID || third.Revision != 0 {
		t.Errorf("another recording under the same name became %+v", third)
	}
}

// TestWordByHandOutranksTheLog: a verdict that was set by hand stays in force when the log
// grows and is judged again; taken back, the findings of the longer log hold.
func TestWordByHandOutranksTheLog(t *testing.T) {
	s := newStore(t)
	a := arrivalOf("10,11,12,1", "/logs/a.csv", day, record.Frames{MS: []float64{10, 11, 12, 1}})
	id := mustSave(t, s, a).ID
	must(t, s.Finish(ctx, id, nil, record.Clean))
	must(t, s.Overrule(ctx, id, record.VerdictBad, "the cooler fell off", "jo"))
	grown := mustSave(t, s, arrivalOf("10,11,12,13,14", "/logs/a.csv", day, record.Frames{MS: []float64{10, 11, 12, 13, 14}}))
	for range 2 {
		p, err := s.Pass(ctx, id)
		if err != nil || grown.Revision != 1 || p.Verdict != record.VerdictBad || p.Overruled != "the cooler fell off" || len(p.Findings) > 0 {
			t.Errorf("%+v: %+v, %v", grown, p, err)
		}
		must(t, s.Finish(ctx, id, nil, record.Clean))
	}
	p, err := s.Pass(ctx, id)
	must(t, err)
	must(t, s.TakeBack(ctx, p, "it did not", "jo", func([]record.Finding) record.Verdict { return record.VerdictDoubtful }))
	if p, err = s.Pass(ctx, id); err != nil || p.Verdict != record.Clean || p.Overruled != "" {
		t.Errorf("taken back: %+v, %v", p, err)
	}
	if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
}

// recorded returns the first n frame times of a recording; seed tells recordings apart.
func recorded(seed uint64, n int) []float64 {
	return testlab.Scene{Seed: seed, FPS: 90, Seconds: 5}.Frames()[:n]
}

// TestLogThatGrewUnderAnotherName: the file's own identity leads to the pass, its start
// and the frames decide; renaming can come before, with or after growing.
func TestLogThatGrewUnderAnotherName(t *testing.T) {
	at := func(path, id string, seed uint64, n int) store.Arrival {
		a := arrivalOf(fmt.Sprint(seed, recorded(seed, n)), path, day, record.Frames{MS: recorded(seed, n)})
		a.File.ID = id
		return a
	}
	later := func(a store.Arrival, by time.Duration) store.Arrival {
		a.Pass.StartedAt = a.Pass.StartedAt.Add(by)
		return a
	}
	s := newStore(t)
	first := mustSave(t, s, at("/logs/a.csv", "8:1", 1, 100))
	steps := []struct {
		name     string
		a        store.Arrival
		created  bool
		revision int // of the same pass; -1 for another pass
	}{
		{"renamed and grown", later(at("/logs/b.csv", "8:1", 1, 110), 2*time.Second), true, 1},
		{"grown in place under the new name, on a disk without identities", at("/logs/b.csv", "", 1, 120), true, 2},
		{"renamed alone", at("/logs/c.csv", "8:1", 1, 120), false, 2},
		{"grown again", at("/logs/c.csv", "8:1", 1, 130), true, 3},
		{"a longer copy in another file", at("/logs/d.csv", "8:2", 1, 140), true, -1},
		{"the identity was given to a new recording", at("/logs/e.csv", "8:1", 2, 150), true, -1},
		{"to one that begins alike and started later", later(at("/logs/h.csv", "8:1", 1, 155), time.Minute), true, -1},
		{"to one of which nobody knows when it started", func() store.Arrival {
			a := at("/logs/i.csv", "8:1", 1, 156)
			a.Pass.StartedAt = time.Time{}
			return a
		}(), true, -1},
		{"grown although its identity was given away since", at("/logs/f.csv", "8:1", 1, 160), true, 4},
	}
	for _, c := range steps {
		got := mustSave(t, s, c.a)
		if got.Created != c.created || (got.ID == first.ID) != (c.revision >= 0) || got.Revision != max(c.revision, 0) {
			t.Errorf("%s: got %+v, want revision %d of %s, new %v", c.name, got, c.revision, first.ID, c.created)
		}
	}
	p, err := s.Pass(ctx, first.ID)
	if err != nil || p.Log != "/logs/a.csv" || !slices.Equal(p.Names, []string{"/logs/b.csv", "/logs/c.csv", "/logs/f.csv"}) {
		t.Errorf("known as %s and %v, %v", p.Log, p.Names, err)
	}
	other := at("/logs/g.csv", "8:1", 1, 170)
	other.Pass.Bench = "bench-2"
	if got := mustSave(t, s, other); got.ID == first.ID {
		t.Error("the log of another bench became a revision of this one's pass")
	}
}

// TestIdentityOfADeletedStub: a short log of a capped game is deleted and its identity
// given to the log of another game, which begins alike.
func TestIdentityOfADeletedStub(t *testing.T) {
	capped := func(path string, n int) store.Arrival {
		return arrivalOf(fmt.Sprint("capped ", n), path, day, record.Frames{MS: slices.Repeat([]float64{16.7}, n)})
	}
	for _, n := range []int{1, 2, 12, 99} {
		s := newStore(t)
		stub := mustSave(t, s, capped("/logs/stub.csv", n))
		if _, err := s.Retag(ctx, []string{stub.ID}, map[string]string{"game": "Tin Valley"}, "me", "wrong folder"); err != nil {
			t.Fatal(err)
		}
		long := mustSave(t, s, capped("/logs/long.csv", 300))
		if p, err := s.Pass(ctx, long.ID); err != nil || long.ID == stub.ID || long.Revision != 0 || p.Tags.Value("game") != "Glass Harbour" {
			t.Errorf("after a stub of %d frames: %+v, game %q, %v", n, long, p.Tags.Value("game"), err)
		}
		// In its own place a stub grows as before.
		if got := mustSave(t, s, capped("/logs/stub.csv", 301)); got.ID != stub.ID || got.Revision != 1 {
			t.Errorf("the stub of %d frames grew into %+v, want revision 1 of %s", n, got, stub.ID)
		}
	}
}

// TestNextRecordingUnderTheName: a logger gives its next recording the name of the last,
// which was a stub; what many recordings begin with does not make it a revision unless it
// also started then, what only one begins with does.
func TestNextRecordingUnderTheName(t *testing.T) {
	at := func(ms []float64, by time.Duration) store.Arrival {
		return arrivalOf(fmt.Sprint(ms, by), "/logs/last.csv", day.Add(by), record.Frames{MS: ms})
	}
	unknown := func(a store.Arrival) store.Arrival {
		a.Pass.StartedAt = time.Time{}
		return a
	}
	capped := slices.Repeat([]float64{16.7}, 300)
	start := []float64{16.7, 16.6, 16.7, 16.8, 16.7}
	today := slices.Concat(start[:4], slices.Repeat([]float64{16.7}, 3000), []float64{16.6, 16.8, 33.4})
	uneven := make([]float64, 3000)
	for i := range uneven {
		uneven[i] = []float64{16.7, 16.6}[(i*7919%101)%2]
	}
	for _, c := range []struct {
		name        string
		stub, later store.Arrival
		grew        bool
	}{
		{"one equal frame, a minute later", at([]float64{16.7}, 0), at(capped, time.Minute), false},
		{"one equal frame and half a line, a minute later", at([]float64{16.7, 1}, 0), at(capped, time.Minute), false},
		{"the same, a minute earlier", at([]float64{16.7, 1}, 0), at(capped, -time.Minute), false},
		{"many equal frames of a cap, a minute later", at(capped[:150], 0), at(capped, time.Minute), false},
		{"one equal frame, the same start", at([]float64{16.7}, 0), at(capped, 2*time.Second), true},
		{"one equal frame and half a line, the same start", at([]float64{16.7, 1}, 0), at(capped, 0), true},
		{"nobody knows when the stub started", unknown(at([]float64{16.7}, 0)), at(capped, time.Minute), true},
		{"nobody knows when the rest started", at([]float64{16.7}, 0), unknown(at(capped, time.Minute)), true},
		{"four frames that any recording begins with, a day later", at(start, 0), at(today, 24*time.Hour), false},
		{"the same, the same start", at(start, 0), at(today, 4*time.Second), true},
		{"many frames of two values, the start known only from the file's time", at(uneven[:1500], 0), at(uneven, 6*time.Second), true},
		{"as many as are followed", at(uneven[:100], 0), at(uneven, time.Minute), true},
		{"fewer", at(uneven[:99], 0), at(uneven, time.Minute), false},
		{"frames of its own, after a pause in recording", at(recorded(1, 4), 0), at(recorded(1, 300), time.Minute), true},
	} {
		s := newStore(t)
		stub, later := mustSave(t, s, c.stub), mustSave(t, s, c.later)
		if got := later.ID == stub.ID && later.Revision == 1; got != c.grew || !later.Created {
			t.Errorf("%s: %+v after %+v", c.name, later, stub)
		}
	}
}

func TestStatesSurviveReopening(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	var ids []string
	for i := range 3 {
		ids = append(ids, mustSave(t, s, arrival(i)).ID)
	}
	findings := []record.Finding{{
		Check: "background", Version: "1", Outcome: record.Doubtful, Reason: "17 % of a core", Advice: "repeat",
		Numbers: map[string]float64{"share": 17.25, "broken": math.NaN()}, Params: map[string]string{"limit": "10"},
	}}
	for _, id := range ids[1:] {
		if err := s.Finish(ctx, id, findings, record.VerdictDoubtful); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.MarkNotified(ctx, ids[2]); err != nil {
		t.Fatal(err)
	}
	s.Close()
	s = mustOpen(t, path)
	open, err := s.Unfinished(ctx)
	if err != nil || len(open) != 2 || open[0].Pass.ID != ids[0] || open[0].State != store.Received || open[1].Pass.ID != ids[1] || open[1].State != store.Checked {
		t.Fatalf("unfinished %+v, %v", open, err)
	}
	delete(findings[0].Numbers, "broken")
	if !reflect.DeepEqual(open[1].Pass.Findings, findings) {
		t.Errorf("findings %+v", open[1].Pass.Findings)
	}
}

func TestFiltersAndPages(t *testing.T) {
	s := newStore(t)
	for i := range 12 {
		a := arrival(i)
		a.Pass.Tags["game"] = record.Tag{Value: []string{"Glass Harbour", "Tin Valley", "50% [off]"}[i%3], From: record.FromPath}
		a.Pass.Bench = []string{"bench-1", "bench-2"}[i%2]
		if i == 4 {
			delete(a.Pass.Tags, "preset")
			a.Pass.Tags["campaign"] = record.Tag{Value: "spring", From: record.FromPlan}
		}
		id := mustSave(t, s, a).ID
		if i < 6 {
			if err := s.Finish(ctx, id, nil, []record.Verdict{record.Clean, record.VerdictBad}[i%2]); err != nil {
				t.Fatal(err)
			}
		}
	}
	game := func(g string) map[string]string { return map[string]string{"game": g} }
	for _, c := range []struct {
		name string
		f    store.Filter
		want []int
	}{
		{"all", store.Filter{}, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}},
		{"exact", store.Filter{Tags: game("Tin Valley")}, []int{1, 4, 7, 10}},
		{"pattern", store.Filter{Tags: game("*a*")}, []int{0, 1, 3, 4, 6, 7, 9, 10}},
		{"value that looks like a pattern", store.Filter{Tags: game("50% [off]")}, []int{2, 5, 8, 11}},
		{"no such value", store.Filter{Tags: game("None")}, nil},
		{"two tags", store.Filter{Tags: map[string]string{"game": "Tin Valley", "gpu": "Lumen*"}}, []int{1, 4, 7, 10}},
		{"without a tag", store.Filter{Tags: map[string]string{"preset": ""}}, []int{4}},
		{"campaign", store.Filter{Campaign: "spring"}, []int{4}},
		{"verdicts", store.Filter{Verdicts: []record.Verdict{record.VerdictBad, record.VerdictDoubtful}}, []int{1, 3, 5}},
		{"bench", store.Filter{Bench: "bench-2", Limit: 2}, []int{1, 3}},
		{"newest", store.Filter{Newest: true, Limit: 3, Offset: 1}, []int{10, 9, 8}},
		{"times", store.Filter{Since: day.Add(3 * time.Minute), Until: day.Add(5 * time.Minute)}, []int{3, 4}},
		{"system", store.Filter{System: arrival(0).System.ID[:5], Limit: 1}, []int{0}},
		{"no such system", store.Filter{System: "zz"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := s.Passes(ctx, c.f)
			if err != nil {
				t.Fatal(err)
			}
			var at []int
			for _, p := range got {
				at = append(at, int(p.StartedAt.Sub(day)/time.Minute))
			}
			if !reflect.DeepEqual(at, c.want) {
				t.Errorf("got %v, want %v", at, c.want)
			}
		})
	}
}

func TestPassByPrefix(t *testing.T) {
	s := newStore(t)
	for i := range 40 { // more than sixteen, so two share a first digit
		mustSave(t, s, arrivalOf(fmt.Sprint("x", i), fmt.Sprint("/l/", i), day, record.Frames{MS: []float64{1}}))
	}
	all, _ := s.Passes(ctx, store.Filter{})
	seen := map[byte]int{}
	for _, p := range all {
		seen[p.ID[0]]++
	}
	for d, n := range seen {
		_, err := s.Pass(ctx, string(d))
		if (n > 1) != errors.Is(err, store.ErrAmbiguous) {
			t.Errorf("%d passes begin with %c: %v", n, d, err)
		}
	}
	for _, bad := range []string{"", "zz", "'; DROP TABLE passes; --", "%", "ffffffffffff"} {
		if _, err := s.Pass(ctx, bad); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestKnownAndBrokenFiles(t *testing.T) {
	s := newStore(t)
	a := arrival(1)
	mustSave(t, s, a)
	moved, touched := a.File, a.File
	moved.Path = "/elsewhere"
	touched.ModTime = touched.ModTime.Add(time.Nanosecond)
	for i, c := range []struct {
		f    store.FileMark
		want bool
	}{{a.File, true}, {moved, false}, {touched, false}} {
		if known, err := s.KnownFile(ctx, c.f); err != nil || known != c.want {
			t.Errorf("case %d: %v, %v", i, known, err)
		}
	}
	bad := store.FileMark{Path: "/logs/broken.csv", Size: 3, ModTime: day}
	for i, x := range []struct {
		why  string
		want bool
	}{{"a declared layout does not fit", false}, {"no numbers in it", false}, {"no numbers in it", true}} {
		if known, err := s.RememberBroken(ctx, bad, errors.New(x.why)); err != nil || known != x.want {
			t.Errorf("time %d: known %v, %v", i, known, err)
		}
	}
	if known, _ := s.KnownFile(ctx, bad); known {
		t.Error("an unreadable log counts as stored")
	}
	list, err := s.Broken(ctx)
	if err != nil || len(list) != 1 || list[0].Why != "no numbers in it" || list[0].File != bad {
		t.Errorf("broken %+v, %v", list, err)
	}
	b := arrivalOf("mended", bad.Path, day, record.Frames{MS: []float64{1}})
	mustSave(t, s, b)
	if list, _ := s.Broken(ctx); len(list) != 0 {
		t.Errorf("a log that was read since is still listed: %+v", list)
	}
}

func TestSystemsAndEarlier(t *testing.T) {
	s := newStore(t)
	var ids []string
	for i := range 5 {
		a := arrival(i)
		if i >= 3 {
			a.System.Fields[1].Value = "31.9"
			a.System.ID = a.System.Identity()
		}
		if i == 1 {
			a.Pass.Bench = "bench-2"
		}
		ids = append(ids, mustSave(t, s, a).ID)
	}
	seen, err := s.Systems(ctx)
	if err != nil || len(seen) != 3 || seen[0].Passes != 2 || !seen[0].First.Equal(day) || !seen[0].Last.Equal(day.Add(2*time.Minute)) {
		t.Errorf("systems %+v, %v", seen, err)
	}
	last, ok, err := s.LastSystem(ctx, "bench-1", ids[3])
	if err != nil || !ok || last.ID != arrival(0).System.ID {
		t.Errorf("last system before the change %+v %v %v", last, ok, err)
	}
	if _, ok, err := s.LastSystem(ctx, "bench-1", ids[0]); ok || err != nil {
		t.Errorf("a system before the first pass: %v %v", ok, err)
	}
	p, _ := s.Pass(ctx, ids[4])
	cell := p.Tags.Cell(record.CellFactors)
	earlier, err := s.Earlier(ctx, "bench-1", cell, ids[4], 2)
	if err != nil || len(earlier) != 2 || earlier[0].Pass.ID != ids[2] || earlier[1].Pass.ID != ids[3] {
		t.Fatalf("earlier %+v, %v", earlier, err)
	}
	if earlier[1].System.Fields[1].Value != "31.9" || len(earlier[0].SecondsMS) != 5 || earlier[0].StartTemp[record.SeriesCPUTemp] != 48.5 {
		t.Errorf("earlier pass without its system, seconds or temperatures: %+v", earlier[1])
	}
	cell["memory kit"] = "4 x 8"
	if list, err := s.Earlier(ctx, "", cell, "", 0); err != nil || len(list) != 0 {
		t.Errorf("another cell has %d passes, %v", len(list), err)
	}
}

// TestOfTwoPassesTheLaterKnowsTheOther: logs that are copied together come in any order;
// what a pass is held against depends on when it began alone.
func TestOfTwoPassesTheLaterKnowsTheOther(t *testing.T) {
	s, ctx := newStore(t), t.Context()
	later := mustSave(t, s, arrival(3))
	earlier := mustSave(t, s, arrival(2))
	p, err := s.Pass(ctx, earlier.ID)
	if err != nil {
		t.Fatal(err)
	}
	cell := p.Tags.Cell(record.CellFactors)
	for _, c := range []struct {
		of   string
		want []string
	}{{earlier.ID, nil}, {later.ID, []string{earlier.ID}}} {
		list, err := s.Earlier(ctx, "", cell, c.of, 0)
		var got []string
		for _, e := range list {
			got = append(got, e.Pass.ID)
		}
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("beside %s: %v, %v, want %v", c.of, got, err, c.want)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	file := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	foreign := filepath.Join(dir, "foreign.db")
	execute(t, foreign, "CREATE TABLE x (a); PRAGMA application_id = 7")
	newer := filepath.Join(dir, "newer.db")
	mustOpen(t, newer).Close()
	execute(t, newer, "PRAGMA user_version = 999")
	for _, c := range []struct {
		name, path string
		readOnly   bool
		want       error
	}{
		{"no file", filepath.Join(dir, "none.db"), true, store.ErrNoStore},
		{"empty file", file("empty.db", ""), true, store.ErrNoStore},
		{"a text", file("text.db", "this is not a database, but long enough to have a heading of one; "+
			"that takes a hundred characters"), false, store.ErrCorrupt},
		{"foreign", foreign, false, store.ErrNotOurs},
		{"foreign, to read", foreign, true, store.ErrNotOurs},
		{"newer", newer, false, store.ErrNewer},
		{"newer, to read", newer, true, store.ErrNewer},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := store.Open(ctx, c.path, store.Options{ReadOnly: c.readOnly})
			if err == nil {
				s.Close()
			}
			if !errors.Is(err, c.want) {
				t.Errorf("got %v, want %v", err, c.want)
			}
		})
	}
	if _, err := os.Stat(filepath.Join(dir, "none.db")); err == nil {
		t.Error("opening for reading made a file")
	}
}
