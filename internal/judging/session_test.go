package judging_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"capd.example/record"
)

// bench is a desk at which sessions shift all rates.
type bench struct {
	*desk
	t      *testing.T
	number int
	boot   int
}

// pass stores a pass of the session that began with the last boot.
func (b *bench) pass(game string, rate float64) string {
	b.t.Helper()
	b.number++
	id := b.come(b.t, game, b.number, rate, false)
	b.retag(b.t, id, map[string]string{record.TagBoot: fmt.Sprint("start ", b.boot), record.TagPass: ""})
	return id
}

func (b *bench) agreement(id string) record.Finding {
	b.t.Helper()
	for _, f := range b.desk.pass(b.t, id).Findings {
		if f.Check == "agreement" {
			return f
		}
	}
	b.t.Fatalf("pass %s has no such finding", id)
	return record.Finding{}
}

// What a restart shifts is no reason to doubt passes: those of one session agree, and the
// control cell, which has one pass in each, lies within what sessions of the bench differ
// by. A pass that is wrong within its session, and one far from all sessions, is found.
func TestSessionsShiftPasses(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 15))
	b := &bench{desk: newDesk(t), t: t}
	var fine, control []string
	var stray, slow string
	shifts := []float64{0, 0.02, -0.015, 0.025, -0.02, 0.01, -0.012, 0.018}
	for session, shift := range shifts {
		b.boot++
		rate := func(of float64) float64 { return of * math.Exp(shift+0.002*rng.NormFloat64()) }
		for range 3 {
			fine = append(fine, b.pass("a", rate(100)))
		}
		for range 2 {
			fine = append(fine, b.pass("b", rate(80)))
		}
		if session == 3 {
			stray = b.pass("a", rate(94))
		}
		if session < 6 {
			control = append(control, b.pass("control", rate(120)))
		}
		b.resume(t)
	}
	b.boot++
	slow = b.pass("control", 95)
	b.resume(t)
	for _, id := range fine {
		if f := b.agreement(id); f.Outcome != record.OK {
			t.Errorf("%s: %s %s", id, f.Outcome, f.Reason)
		}
	}
	// Each game has a history of its own, here none but that of sessions: fixed limits.
	for _, id := range control {
		if f := b.agreement(id); f.Outcome == record.Doubtful && !strings.Contains(f.Reason, "session") {
			t.Errorf("%s: %s", id, f.Reason)
		}
	}
	if f := b.agreement(stray); f.Outcome != record.Doubtful || !strings.Contains(f.Reason, "stands apart") {
		t.Errorf("the stray pass: %+v", f)
	}
	if f := b.agreement(slow); f.Outcome != record.Doubtful || f.Numbers["sessions"] != 6 || !strings.Contains(f.Reason, "how far sessions differ here is not known yet") {
		t.Errorf("the slow pass: %+v", f)
	}
}

// Where the bench's history tells how far sessions differ, a pass alone in its session is
// held against that; what it is held against stands in reason and numbers.
func TestAPassAloneInItsSession(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	b := &bench{desk: newDesk(t), t: t}
	tag := func(id, preset string) string {
		b.retag(t, id, map[string]string{"preset": preset})
		return id
	}
	var control []string
	for _, shift := range []float64{0, 0.02, -0.015, 0.025, -0.02, 0.01, -0.012, 0.018, -0.022, 0.015} {
		b.boot++
		rate := func(of float64) float64 { return of * math.Exp(shift+0.002*rng.NormFloat64()) }
		for _, preset := range []string{"low", "high"} {
			for range 2 {
				tag(b.pass("a", rate(100)), preset)
			}
		}
		control = append(control, tag(b.pass("a", rate(140)), "control"))
		b.resume(t)
	}
	for _, id := range control {
		if f := b.agreement(id); f.Outcome == record.Doubtful {
			t.Errorf("%s: %s", id, f.Reason)
		}
	}
	last := b.agreement(control[len(control)-1])
	if !strings.Contains(last.Reason, "between sessions") || !(last.Numbers["avg_across_sessions_percent"] > 1) || last.Numbers["sessions"] != 6 {
		t.Errorf("%+v", last)
	}
	b.boot++
	wrong := tag(b.pass("a", 110), "control")
	b.resume(t)
	if f := b.agreement(wrong); f.Outcome != record.Doubtful || !strings.Contains(f.Reason, "the middle of 5 other sessions") {
		t.Errorf("%+v", f)
	}
	for _, id := range control {
		if f := b.agreement(id); f.Outcome == record.Doubtful {
			t.Errorf("beside the wrong one %s: %s", id, f.Reason)
		}
	}
}
