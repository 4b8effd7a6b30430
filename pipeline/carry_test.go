package pipeline

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"capd.example/record"
)

var errBroken = errors.New("the disk failed")

// world is everything around the pipeline: a store and a way to tell people that can fail
// at any call, a bench and a validator. It keeps what was really done.
type world struct {
	calls  int  // so far
	failAt int  // the call that fails, from 1; 0 for none
	after  bool // it fails after its work was done, as a crash would

	stored  map[string]*stored
	order   []string
	broken  map[string]bool
	told    map[string]int
	changed int
	unread  int
}

type stored struct {
	arrival Arrival
	checked bool
	told    bool
}

func newWorld() *world {
	return &world{stored: map[string]*stored{}, broken: map[string]bool{}, told: map[string]int{}}
}

// call runs one operation of the store, or fails before or after it.
func (w *world) call(do func()) error {
	w.calls++
	if w.calls != w.failAt {
		do()
		return nil
	}
	if w.after {
		do()
	}
	return errBroken
}

func (w *world) Save(_ context.Context, a Arrival) (s Saved, err error) {
	err = w.call(func() {
		s = Saved{ID: record.PassID(a.Pass.SHA256)}
		if w.stored[s.ID] == nil {
			s.Created = true
			w.stored[s.ID] = &stored{arrival: a}
			w.order = append(w.order, s.ID)
		}
	})
	return s, err
}

func (w *world) Beside(context.Context, record.Pass, []string) (list []record.Pass, mark string, err error) {
	return nil, "", w.call(func() {})
}

func (w *world) Settle(_ context.Context, o record.Examined) error {
	return w.call(func() {
		for _, m := range append(o.Others, record.Moved{Pass: o.Pass}) {
			p := w.stored[m.Pass.ID]
			p.checked, p.arrival.Pass.Findings, p.arrival.Pass.Verdict = true, m.Pass.Findings, m.Pass.Verdict
		}
	})
}

func (w *world) MarkTold(_ context.Context, id string) error {
	return w.call(func() { w.stored[id].told = true })
}

func (w *world) Unfinished(context.Context) (out []Unfinished, err error) {
	err = w.call(func() {
		for _, id := range w.order {
			if s := w.stored[id]; !s.told {
				out = append(out, Unfinished{ID: id, Checked: s.checked})
			}
		}
	})
	return out, err
}

func (w *world) Evidence(_ context.Context, id string) (e record.Evidence, err error) {
	err = w.call(func() {
		a := w.stored[id].arrival
		a.Pass.ID = id
		e = record.Evidence{Pass: a.Pass, Frames: a.Frames, System: a.System}
	})
	return e, err
}

func (w *world) Earlier(context.Context, record.Pass, map[string]string) (out []record.Earlier, err error) {
	return nil, w.call(func() {})
}

func (w *world) LastSystem(_ context.Context, p record.Pass) (s record.System, ok bool, err error) {
	if len(w.order) > 1 && w.order[0] != p.ID {
		return w.stored[w.order[0]].arrival.System, true, nil
	}
	return s, false, nil
}

func (w *world) KnownBroken(_ context.Context, _ File, path string, _ error) (known bool, err error) {
	err = w.call(func() { known = w.broken[path] })
	return known, err
}

func (w *world) RememberBroken(_ context.Context, _ File, path string, _ error) error {
	return w.call(func() { w.broken[path] = true })
}

func (w *world) Judged(_ context.Context, p record.Pass) error {
	return w.call(func() { w.told[p.ID]++ })
}

func (w *world) Moved(_ context.Context, p record.Pass, _ record.Verdict) error {
	return w.call(func() { w.told[p.ID]++ })
}

func (w *world) Unreadable(context.Context, Log, File, error) error {
	return w.call(func() { w.unread++ })
}

func (w *world) Changed(_ context.Context, _ record.Pass, _ []record.Change) error {
	return w.call(func() { w.changed++ })
}

func (w *world) Check(context.Context, record.Evidence) []record.Finding {
	return []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}
}

// files is a folder of logs; a log without frames is one that cannot be read.
type files map[string][]float64

func (f files) ReadLog(_ context.Context, path string) (record.Reading, File, error) {
	ms := f[path]
	if len(ms) == 0 {
		return record.Reading{}, File{}, errors.New("there is no table in it")
	}
	sum := fmt.Sprintf("%064x", len(ms))
	return record.Reading{Frames: record.Frames{MS: ms, Decimals: 0}}, File{SHA256: sum[52:] + sum[:52], ModTime: time.Unix(5000, 0)}, nil
}

type oneBench struct{ card string }

func (b *oneBench) System(context.Context) record.System {
	s := record.System{Fields: []record.Field{{Name: record.FieldGraphicsName, Value: b.card, Identity: true}}}
	s.ID = s.Identity()
	return s
}

func (b *oneBench) Telemetry(time.Time, time.Time, string) (*record.Telemetry, error) {
	return nil, errors.New("none was taken")
}

func around(w *world, f files, b *oneBench) *Pipeline {
	return &Pipeline{Reader: f, Bench: b, Store: w, Checks: w, Tell: w,
		Know: Knowledge{Bench: "b", Factors: record.CellFactors, Required: []string{"completeness"}}}
}

// TestNothingIsLostWhereverACallFails lets each call to store or tell fail once, before or
// after its work. The agent then does what it does on trouble: it carries the log again
// and resumes. In the end the pass is stored once, judged, told about, and the changed
// bench was told.
func TestNothingIsLostWhereverACallFails(t *testing.T) {
	ctx := context.Background()
	logs := files{"one": {10, 11, 12}, "two": {10, 11, 12, 13}}
	for _, after := range []bool{false, true} {
		for failAt := 1; ; failAt++ {
			w, b := newWorld(), &oneBench{"Lumen 40"}
			p := around(w, logs, b)
			if _, isNew, err := p.Carry(ctx, Log{Path: "one"}); err != nil || !isNew {
				t.Fatalf("the first pass: %v, %v", isNew, err)
			}
			b.card = "Lumen 60"
			w.calls, w.failAt, w.after = 0, failAt, after
			_, _, err := p.Carry(ctx, Log{Path: "two"})
			reached := w.calls >= failAt
			w.failAt = 0
			if reached && err == nil {
				t.Errorf("call %d failed and nobody was told", failAt)
			}
			if err != nil {
				if _, _, err := p.Carry(ctx, Log{Path: "two"}); err != nil {
					t.Errorf("call %d: carried again: %v", failAt, err)
				}
				if _, err := p.Resume(ctx, nil); err != nil {
					t.Errorf("call %d: resume: %v", failAt, err)
				}
			}
			if len(w.stored) != 2 {
				t.Errorf("call %d (after %v): %d passes are stored, want 2", failAt, after, len(w.stored))
			}
			for id, s := range w.stored {
				if !s.checked || !s.told || w.told[id] == 0 || s.arrival.Pass.Verdict != record.Clean {
					t.Errorf("call %d (after %v): pass %s: checked %v, told %v (%d times), %s", failAt, after, id, s.checked, s.told, w.told[id], s.arrival.Pass.Verdict)
				}
			}
			if w.changed == 0 {
				t.Errorf("call %d (after %v): nobody heard of the other card", failAt, after)
			}
			if !reached {
				break
			}
		}
	}
}

func TestTheSameBytesAreOnePass(t *testing.T) {
	ctx := context.Background()
	w := newWorld()
	p := around(w, files{"one": {10, 11}, "copy": {10, 11}}, &oneBench{"Lumen 40"})
	for i, path := range []string{"one", "copy", "one"} {
		if _, isNew, err := p.Carry(ctx, Log{Path: path}); err != nil || isNew != (i == 0) {
			t.Errorf("%s: new %v, %v", path, isNew, err)
		}
	}
	if len(w.stored) != 1 || w.told[w.order[0]] != 1 {
		t.Errorf("%d passes, told %v", len(w.stored), w.told)
	}
}

func TestAnUnreadableLogIsToldOnce(t *testing.T) {
	ctx := context.Background()
	w := newWorld()
	p := around(w, files{}, &oneBench{"Lumen 40"})
	for range 3 {
		if _, _, err := p.Carry(ctx, Log{Path: "rubbish"}); !errors.Is(err, ErrUnreadable) {
			t.Errorf("got %v", err)
		}
	}
	if w.unread != 1 || len(w.stored) != 0 {
		t.Errorf("told %d times, %d passes stored", w.unread, len(w.stored))
	}
}

// An unreadable log of which people could not be told is told when it is carried again,
// wherever the first time failed.
func TestAnUnreadableLogIsToldWhereverACallFails(t *testing.T) {
	ctx := context.Background()
	for _, after := range []bool{false, true} {
		for failAt := 1; failAt <= 3; failAt++ {
			w := newWorld()
			w.failAt, w.after = failAt, after
			p := around(w, files{}, &oneBench{"Lumen 40"})
			if _, _, err := p.Carry(ctx, Log{Path: "rubbish"}); !errors.Is(err, errBroken) || errors.Is(err, ErrUnreadable) {
				t.Errorf("call %d: got %v", failAt, err)
			}
			if _, _, err := p.Carry(ctx, Log{Path: "rubbish"}); !errors.Is(err, ErrUnreadable) || w.unread == 0 {
				t.Errorf("call %d (after %v): told %d times, %v", failAt, after, w.unread, err)
			}
		}
	}
}

// TestTimes: a log that carries the wall clock knows best when the pass ran, unless it is
// far from the file's own time; else the pass ended when the log was last written.
func TestTimes(t *testing.T) {
	modified := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	m := record.Metrics{DurationS: 60}
	for _, c := range []struct {
		name  string
		epoch float64
		start time.Time
	}{
		{"no wall clock", 0, modified.Add(-time.Minute)},
		{"wall clock near the file's time", float64(modified.Add(-90 * time.Second).Unix()), modified.Add(-90 * time.Second)},
		{"wall clock of another year", 1e9, modified.Add(-time.Minute)},
	} {
		started, ended := times(record.Reading{EpochS: c.epoch}, m, modified)
		if !started.Equal(c.start) || ended.Sub(started) != time.Minute {
			t.Errorf("%s: %s to %s, want a minute from %s", c.name, started, ended, c.start)
		}
	}
}

func TestAPassThatNoTemplateFitsIsDoubtful(t *testing.T) {
	p := Pipeline{}
	remark := []record.Remark{{Kind: record.RemarkPath, Text: "no path template fits"}}
	detected := record.Tags{record.TagProcessor: {Value: "Corvane C6", From: record.FromDetected}}
	if f := p.Contradictions(record.Pass{ID: "1", Tags: detected, Remarks: remark}); f.Outcome != record.Doubtful {
		t.Errorf("got %+v", f)
	}
	byHand := record.Tags{record.TagGame: {Value: "Copper Drift", From: record.FromHand}}
	if f := p.Contradictions(record.Pass{ID: "1", Tags: byHand, Remarks: remark}); f.Outcome != record.OK {
		t.Errorf("filed by hand: %+v", f)
	}
	if f := p.Contradictions(record.Pass{ID: "1", Tags: detected}); f.Outcome != record.OK {
		t.Errorf("no templates: %+v", f)
	}
}

// oneUnread is a store in which one pass cannot be read.
type oneUnread struct {
	*world
	id string
}

func (s oneUnread) Evidence(ctx context.Context, id string) (record.Evidence, error) {
	if id == s.id {
		return record.Evidence{}, errBroken
	}
	return s.world.Evidence(ctx, id)
}

// A stored pass that cannot be read does not keep those after it from being finished, and the
// error says that it is of this pass and not of the store; one of the store outweighs it.
func TestOnePassThatCannotBeReadIsNoFaultOfTheStore(t *testing.T) {
	ctx := context.Background()
	w := newWorld()
	p := around(w, files{"one": {10, 11, 12}, "two": {10, 11, 12, 13}}, &oneBench{"Lumen 40"})
	for _, path := range []string{"one", "two"} {
		if _, _, err := p.Carry(ctx, Log{Path: path}); err != nil {
			t.Fatal(err)
		}
	}
	again := func() {
		for _, s := range w.stored {
			s.checked, s.told = false, false
		}
	}
	again()
	p.Store = oneUnread{w, w.order[0]}
	if n, err := p.Resume(ctx, nil); n != 1 || !errors.Is(err, ErrUnread) || !w.stored[w.order[1]].told {
		t.Errorf("%d finished, %v", n, err)
	}
	again()
	w.calls, w.failAt = 0, 2 // what the second pass needs first, after the list of the unfinished
	if _, err := p.Resume(ctx, nil); err == nil {
		t.Error("nothing failed")
	}
	again()
	w.calls, w.failAt = 0, 3 // a look beside the pass, which only the store can refuse
	if _, err := p.Resume(ctx, nil); err == nil || errors.Is(err, ErrUnread) {
		t.Errorf("the store's own fault is taken for that of one pass: %v", err)
	}
}
