package record_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"capd.example/record"
)

// at is a pass of a minute, so many minutes after the first.
func at(minute float64, change ...func(*record.Pass)) record.Pass {
	start := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC).Add(time.Duration(minute * float64(time.Minute)))
	p := record.Pass{ID: fmt.Sprintf("p%07.2f", minute), Bench: "bench-1", System: "s1", StartedAt: start, EndedAt: start.Add(time.Minute),
		Tags: record.Tags{}}
	for _, c := range change {
		c(&p)
	}
	return p
}

func with(tag, value string) func(*record.Pass) {
	return func(p *record.Pass) { p.Tags[tag] = record.Tag{Value: value, From: record.FromDetected} }
}

func card(name string) func(*record.Pass) {
	return func(p *record.Pass) { p.System = "with " + name; with(record.TagGraphics, name)(p) }
}

func TestSessions(t *testing.T) {
	later := func(p *record.Pass) {
		p.System = "as found later"
		p.Claims = []record.Claim{{Name: record.TagGraphics, Value: "G", From: record.FromLater}}
	}
	equal := func(p *record.Pass) { later(p); p.System = "s1" }
	for _, c := range []struct {
		name   string
		passes []record.Pass
		want   []int  // passes per session
		why    string // of the last
	}{
		{"none", nil, nil, ""},
		{"one stretch", []record.Pass{at(0), at(2), at(4)}, []int{3}, record.SessionFirst},
		{"a meal", []record.Pass{at(0), at(90)}, []int{2}, record.SessionFirst},
		{"a night", []record.Pass{at(0), at(14 * 60)}, []int{1, 1}, record.SessionPause},
		{"another card", []record.Pass{at(0, card("A")), at(2, card("A")), at(30, card("B"))}, []int{2, 1}, record.SessionChange},
		{"a card comes back", []record.Pass{at(0, card("A")), at(30, card("B")), at(60, card("A"))}, []int{1, 1, 1}, record.SessionChange},
		{"copied logs, whose parts alternate within seconds", []record.Pass{at(0, card("A")), at(0.01, card("B")), at(0.02, card("A")), at(0.03, card("B"))}, []int{2, 2}, record.SessionChange},
		{"a restart", []record.Pass{at(0, with(record.TagBoot, "a")), at(5, with(record.TagBoot, "b"))}, []int{1, 1}, record.SessionRestart},
		{"a start that is not known", []record.Pass{at(0), at(5, with(record.TagBoot, "b")), at(9, with(record.TagBoot, "b"))}, []int{3}, record.SessionFirst},
		{"the clock was set by a second", []record.Pass{at(0, with(record.TagBoot, "2026-03-02T07:00:00Z")), at(5, with(record.TagBoot, "2026-03-02T07:00:01Z"))}, []int{2}, record.SessionFirst},
		{"two starts by their times", []record.Pass{at(0, with(record.TagBoot, "2026-03-02T07:00:00Z")), at(30, with(record.TagBoot, "2026-03-02T09:20:00Z"))}, []int{1, 1}, record.SessionRestart},
		{"another driver", []record.Pass{at(0, with(record.TagDriver, "1")), at(20, with(record.TagDriver, "2"))}, []int{1, 1}, record.SessionChange},
		{"what was detected later says nothing", []record.Pass{at(0, later), at(2, later)}, []int{2}, record.SessionFirst},
		{"detected later, and equal", []record.Pass{at(0), at(2, equal), at(4)}, []int{3}, record.SessionFirst},
		{"detected later, and equal to what follows", []record.Pass{at(0, equal), at(2, equal), at(4), at(6)}, []int{4}, record.SessionFirst},
		{"detected later, and equal, after a restart", []record.Pass{at(0, with(record.TagBoot, "a")), at(2, equal), at(4, with(record.TagBoot, "b")), at(6, equal)}, []int{2, 2}, record.SessionRestart},
		{"detected later, and another", []record.Pass{at(0), at(20, later), at(40)}, []int{1, 1, 1}, record.SessionChange},
		{"said by hand", []record.Pass{at(0, with(record.TagSession, "morning")), at(2), at(900, with(record.TagSession, "morning")), at(4)}, []int{2, 2}, record.SessionFirst},
		{"two benches", []record.Pass{at(0), at(1, func(p *record.Pass) { p.Bench = "bench-2" }), at(2)}, []int{2, 1}, record.SessionFirst},
	} {
		got := record.Sessions(c.passes)
		var sizes []int
		ids := map[string]bool{}
		for _, s := range got {
			sizes = append(sizes, len(s.Passes))
			ids[s.ID] = true
			if s.Ended.Before(s.Began) {
				t.Errorf("%s: %+v ends before it begins", c.name, s)
			}
		}
		if !slices.Equal(sizes, c.want) || len(ids) != len(got) {
			t.Errorf("%s: sessions of %v passes, want %v: %+v", c.name, sizes, c.want, got)
			continue
		}
		if n := len(got); n > 0 && got[n-1].Why != c.why {
			t.Errorf("%s: the last begins with %q, want %q", c.name, got[n-1].Why, c.why)
		}
	}
}

// Every pass is in one session, whatever the order in which passes are handed over, and a
// pass that comes later changes no session that it does not fall into.
func TestSessionsHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var passes []record.Pass
		for i := range rapid.IntRange(0, 30).Draw(t, "passes") {
			p := at(float64(rapid.IntRange(0, 3000).Draw(t, "minute")), card(rapid.SampledFrom([]string{"A", "B"}).Draw(t, "card")),
				with(record.TagBoot, rapid.SampledFrom([]string{"", "x", "y"}).Draw(t, "boot")))
			p.ID = fmt.Sprint(i)
			passes = append(passes, p)
		}
		of := record.SessionOf(passes)
		shuffled := rapid.Permutation(passes).Draw(t, "order")
		if len(of) != len(passes) || fmt.Sprint(record.SessionOf(shuffled)) != fmt.Sprint(of) {
			t.Fatalf("%v\n%v", of, record.SessionOf(shuffled))
		}
		next := at(3000+5*60, card("A"))
		next.ID = "next"
		after := record.SessionOf(append(passes, next))
		for id, s := range of {
			if after[id] != s {
				t.Fatalf("a later pass moved %s from %s to %s", id, s, after[id])
			}
		}
	})
}
