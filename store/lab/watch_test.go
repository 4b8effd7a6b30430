package lab_test

import (
	"strings"
	"testing"
	"time"

	"capd.example/store/lab"
)

// TestAlarms looks at benches again and again, as the lab saw them.
func TestAlarms(t *testing.T) {
	w := &lab.Watch{Limits: lab.Limits{Silent: 30 * time.Minute, Clock: 2, Backlog: 100, Bad: 3, Within: time.Hour}}
	at := day
	look := func(b lab.Bench, bad int) string {
		t.Helper()
		b.Name, at = "bench-1", at.Add(time.Minute)
		var about []string
		for _, x := range w.Alarms(lab.Seen{At: at, Benches: []lab.Bench{b}, Bad: map[string]int{"bench-1": bad}}) {
			if x.Bench != "bench-1" || !strings.HasPrefix(x.Text, "bench bench-1 ") || x.Advice == "" {
				t.Errorf("%+v", x)
			}
			about = append(about, x.About)
		}
		return strings.Join(about, " ")
	}
	ago := func(d time.Duration) time.Time { return at.Add(time.Minute - d) }
	for _, c := range []struct {
		b    lab.Bench
		bad  int
		want string
	}{
		{lab.Bench{SeenAt: ago(30 * time.Minute), Open: 4, Skew: 2, Backlog: 100, Stores: 1}, 2, ""}, // at every limit
		{lab.Bench{SeenAt: ago(31 * time.Minute), Open: 4}, 0, "silent"},
		{lab.Bench{SeenAt: ago(31 * time.Minute)}, 0, ""}, // its campaign is done: it may be switched off
		{lab.Bench{SeenAt: ago(0), Skew: -2.1}, 0, "clock"},
		{lab.Bench{SeenAt: ago(0), Skew: 3600}, 0, "clock"},
		{lab.Bench{SeenAt: ago(0), Backlog: 101}, 0, "backlog"},
		{lab.Bench{SeenAt: ago(0)}, 3, "bad"},
		{lab.Bench{SeenAt: ago(0), Stores: 2}, 0, "stores"},
		{lab.Bench{SeenAt: ago(40 * time.Minute), Open: 1, Skew: 9, Backlog: 500, Stores: 2}, 7, "silent clock backlog bad stores"},
	} {
		w = &lab.Watch{Limits: w.Limits}
		at = day
		if got := look(c.b, c.bad); got != c.want {
			t.Errorf("%+v, %d bad: %q, want %q", c.b, c.bad, got, c.want)
		}
	}
	// A backlog that grows from report to report; looking twice at one report tells nothing.
	w, at = &lab.Watch{Limits: w.Limits}, day
	for i, c := range []struct {
		minutes, backlog int
		want             string
	}{{0, 3, ""}, {0, 3, ""}, {0, 3, ""}, {10, 7, ""}, {20, 9, "backlog"}, {20, 9, "backlog"}, {30, 9, ""}, {40, 11, ""}, {50, 2, ""}} {
		if got := look(lab.Bench{SeenAt: day.Add(time.Duration(c.minutes) * time.Minute), Backlog: c.backlog}, 0); got != c.want {
			t.Errorf("look %d: %q, want %q", i, got, c.want)
		}
	}
}

// TestSee asks the lab itself: what the bench said of its campaign, and its fresh bad passes.
func TestSee(t *testing.T) {
	a := address(t)
	l := setup(t, a, false)
	s := newStore(t)
	for i := range 4 {
		add(t, s, "bench-1", i, 0.2) // the second and the fourth are bad
	}
	f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: a, Campaign: func() (string, int) { return "spring", 12 }}
	if _, err := f.Forward(ctx); err != nil {
		t.Fatal(err)
	}
	seen, err := l.See(ctx, time.Since(day.Add(2*time.Minute)))
	if err != nil || len(seen.Benches) != 1 || seen.Benches[0].Campaign != "spring" || seen.Benches[0].Open != 12 || seen.Bad["bench-1"] != 1 {
		t.Errorf("%+v, %v", seen, err)
	}
	for _, c := range []struct {
		began string
		bad   int
	}{{"1 year", 0}, {"1 minute", 2}} {
		ask(t, a, "UPDATE capd.passes SET at = now() + interval '"+c.began+"'")
		if seen, err := l.See(ctx, time.Hour); err != nil || seen.Bad["bench-1"] != c.bad {
			t.Errorf("passes that begin in %s: %+v, %v", c.began, seen, err)
		}
	}
}
