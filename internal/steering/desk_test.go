package steering

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/logbook"
	"capd.example/page/gather"
	"capd.example/page/view"
	"capd.example/record"
	"capd.example/store"
)

const twoByTwo = `
name = "spring"
passes = 2
[factors]
gpu = ["Lantern 40", "Lantern 60"]
preset = ["medium", "high"]
[[game]]
name = "Copper Drift"
`

// pausable is an agent that can be paused.
type pausable struct {
	control.Agent
	paused string
}

func (a *pausable) Pause(_ context.Context, why string) error      { a.paused = why; return nil }
func (a *pausable) Status(context.Context) (control.Status, error) { return control.Status{}, nil }
func (a *pausable) Resume(context.Context) error                   { a.paused = ""; return nil }

// desk is one with a store and a campaign; told counts how often it said that something changed.
func desk(t *testing.T) (*Desk, *pausable, *atomic.Int32) {
	t.Helper()
	dir := t.TempDir()
	s, err := store.Open(t.Context(), filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	file := filepath.Join(dir, "campaign.toml")
	if err := os.WriteFile(file, []byte(twoByTwo), 0o600); err != nil {
		t.Fatal(err)
	}
	book, err := logbook.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	a, told := &pausable{}, &atomic.Int32{}
	return &Desk{Book: book, Bench: "bench-1", Store: s, Agent: a, Required: []string{"completeness"}, Changed: func() { told.Add(1) }}, a, told
}

// saved stores a judged pass of a cell.
func saved(t *testing.T, s *store.Store, n int, verdict record.Verdict) string {
	t.Helper()
	at := time.Date(2026, 2, 3, 9, n, 0, 0, time.UTC)
	p := record.Pass{SHA256: fmt.Sprintf("%064x", n), Bench: "bench-1", Log: "/logs/a.csv", StartedAt: at, EndedAt: at.Add(30 * time.Second), LogAt: at.Add(30 * time.Second),
		Metrics: record.Metrics{AvgFPS: 90, Low1FPS: 70, Frames: 3, DurationS: 1}, Tags: record.Tags{}}
	for name, v := range map[string]string{"gpu": "Lantern 40", "preset": "medium", "game": "Copper Drift", "campaign": "spring"} {
		p.Tags[name] = record.Tag{Value: v, From: record.FromPath}
	}
	sys := record.System{Fields: []record.Field{{Name: record.FieldProcessorName, Value: "Ostrava 7700"}}}
	sys.ID = sys.Identity()
	got, err := s.Save(t.Context(), store.Arrival{Pass: p, Frames: record.Frames{MS: []float64{10, 11, 12}}, System: sys})
	if err != nil {
		t.Fatal(err)
	}
	f := record.Finding{Check: "completeness", Outcome: record.OK, Reason: "it is whole"}
	if verdict == record.VerdictBad {
		f.Outcome = record.Bad
	}
	if err := s.Finish(t.Context(), got.ID, []record.Finding{f}, verdict); err != nil {
		t.Fatal(err)
	}
	return got.ID
}

// A day's orders about the plan: each does what the command of its name does, and one that was
// given by a page that is not up to date, or twice, changes nothing.
func TestDeskSteers(t *testing.T) {
	d, _, told := desk(t)
	for _, q := range []struct {
		o    control.Order
		want string // "!" begins an error
	}{
		{control.Order{Verb: "next", Cell: 1}, "!cell 1 of 4 is no longer current; nothing was changed"},
		{control.Order{Verb: "begin"}, "Now: cell 1 of 4, "},
		{control.Order{Verb: "begin"}, "!the plan was begun already: cell 1 of 4 is current"},
		{control.Order{Verb: "skip", Cell: 1}, "Skipped cell 1 of 4, 2 passes open. Now: cell 2 of 4, "},
		{control.Order{Verb: "skip", Cell: 1}, "!cell 1 of 4 is skipped already"},
		{control.Order{Verb: "keep", Cell: 1}, "Back in the plan: cell 1 of 4, 2 passes open. Now: "},
		{control.Order{Verb: "keep", Cell: 1}, "!cell 1 of 4 is not skipped"},
		{control.Order{Verb: "begin", Cell: 4}, "Now: cell 4 of 4, "},
		{control.Order{Verb: "begin", Cell: 5}, "!the campaign has no cell 5"},
		{control.Order{Verb: "begin", Cell: -1}, "!the campaign has no cell -1"},
		{control.Order{Verb: "skip"}, "!the campaign has no cell 0"},
		{control.Order{Verb: "drop tables"}, `!there is no order "drop tables"`},
		{control.Order{}, `!there is no order ""`},
	} {
		q.o.Key = d.Book.Key(q.o.Cell - 1) // as the page sends it
		said, err := d.Do(t.Context(), q.o)
		if wrong, is := strings.CutPrefix(q.want, "!"); is {
			if err == nil || !strings.HasPrefix(err.Error(), wrong) {
				t.Errorf("%+v: %q, %v", q.o, said, err)
			}
		} else if err != nil || !strings.HasPrefix(said, q.want) {
			t.Errorf("%+v: %q, %v, want %q", q.o, said, err, q.want)
		}
	}
	if told.Load() < 5 {
		t.Errorf("told %d times", told.Load())
	}
	d.Book = nil
	if _, err := d.Do(t.Context(), control.Order{Verb: "begin"}); err == nil || !strings.Contains(err.Error(), "no campaign") {
		t.Error(err)
	}
}

// An order lands on the cell that the page showed, also after the campaign's file was changed, or on
// none: with the agent still running, and with a page left open over a start of the agent.
func TestOrderAfterTheCampaignChanged(t *testing.T) {
	d, agent, _ := desk(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "campaign.toml")
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	start := func() *gather.Gatherer {
		g := gather.New(config.Config{Bench: d.Bench, Watch: dir, Campaign: file}, agent, d.Store, nil)
		d.Book, d.NoBook = g.Book()
		return g
	}
	shown := func(g *gather.Gatherer, n int) view.Cell {
		t.Helper()
		c, err := g.Cell(t.Context(), n)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	write(twoByTwo)
	g := start()
	write(strings.Replace(twoByTwo, `["Lantern 40", `, `["Lantern 20", "Lantern 40", `, 1)) // each cell moves on
	left := shown(g, 3)
	for _, verb := range []control.Verb{control.VerbSkip, control.VerbKeep, control.VerbBegin, control.VerbSkip} {
		if _, err := d.Do(t.Context(), control.Order{Verb: verb, Cell: 3, Key: left.Key}); err != nil {
			t.Fatal(err)
		}
		c := shown(g, 3)
		if c.Name != left.Name || c.Skip != (verb == control.VerbSkip) || c.Now != (verb == control.VerbBegin) {
			t.Errorf("%s %s: %s, skipped %t, now %t", verb, left.Name, c.Name, c.Skip, c.Now)
		}
	}
	g = start()
	if c := shown(g, 6); c.Name != left.Name || c.Key != left.Key || !c.Skip {
		t.Fatalf("after a start the cell is %+v", c)
	}
	before, err := d.Book.Orders(t.Context(), d.Store, d.Bench)
	if err != nil {
		t.Fatal(err)
	}
	for _, verb := range []control.Verb{control.VerbSkip, control.VerbKeep, control.VerbBegin, control.VerbNext} {
		for _, key := range []string{left.Key, "", "x"} {
			if said, err := d.Do(t.Context(), control.Order{Verb: verb, Cell: 3, Key: key}); err == nil || !strings.Contains(err.Error(), "the page is out of date") {
				t.Errorf("%s of an old page: %q, %v", verb, said, err)
			}
		}
	}
	if now, err := d.Book.Orders(t.Context(), d.Store, d.Bench); err != nil || len(now) != len(before) {
		t.Errorf("%d orders, were %d, %v", len(now), len(before), err)
	}
}

// The buttons of what is next are about the cell that is current: when another one is, they do nothing.
// Those of a cell's own page do.
func TestOrderAboutTheCurrentCell(t *testing.T) {
	d, _, _ := desk(t)
	key := d.Book.Key
	if _, err := d.Do(t.Context(), control.Order{Verb: "begin", Cell: 2, Key: key(1)}); err != nil {
		t.Fatal(err)
	}
	for _, verb := range []control.Verb{control.VerbSkip, control.VerbNext} {
		said, err := d.Do(t.Context(), control.Order{Verb: verb, Cell: 1, Key: key(0), Current: key(0)})
		if err == nil || err.Error() != "cell 1 of 4 is no longer current; nothing was changed" {
			t.Errorf("%s: %q, %v", verb, said, err)
		}
	}
	if orders, err := d.Book.Orders(t.Context(), d.Store, d.Bench); err != nil || len(orders) != 1 {
		t.Errorf("%v, %v", orders, err)
	}
	if said, err := d.Do(t.Context(), control.Order{Verb: "skip", Cell: 1, Key: key(0)}); err != nil || !strings.HasPrefix(said, "Skipped cell 1 of 4, 2 passes open. Now: cell 2 of 4, ") {
		t.Errorf("%q, %v", said, err)
	}
	if said, err := d.Do(t.Context(), control.Order{Verb: "skip", Cell: 2, Key: key(1), Current: key(1)}); err != nil || !strings.HasPrefix(said, "Skipped cell 2 of 4, 2 passes open. Now: cell 3 of 4, ") {
		t.Errorf("%q, %v", said, err)
	}
}

// Orders of the page and of commands at the same time are all kept.
func TestOrdersAtTheSameTime(t *testing.T) {
	d, _, _ := desk(t)
	if _, err := d.Do(t.Context(), control.Order{Verb: "begin"}); err != nil {
		t.Fatal(err)
	}
	b := d.Book
	page, err := b.Read(t.Context(), d.Store, d.Bench)
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for i := range 20 {
		all.Go(func() {
			if err := b.Give(t.Context(), d.Store, d.Bench, At(b, page, i%4)); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if orders, err := b.Orders(t.Context(), d.Store, d.Bench); err != nil || len(orders) != 21 {
		t.Errorf("%d orders are kept of 21: %v", len(orders), err)
	}
}

// seen is what a page that shows a pass now sends with an order about it.
func seen(t *testing.T, d *Desk, id string) string {
	t.Helper()
	p, err := d.Store.Pass(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return p.VerdictKey()
}

// A page that was left open sets and takes back no verdict that it did not show, whether a person or
// the checks gave it, and the history stays as it was.
func TestStalePageSetsNoVerdict(t *testing.T) {
	d, _, _ := desk(t)
	id := saved(t, d.Store, 1, record.VerdictBad)
	old := seen(t, d, id)
	if err := d.Store.Overrule(t.Context(), id, record.Clean, "the stop is meant", "mo"); err != nil {
		t.Fatal(err)
	}
	first := seen(t, d, id)
	if err := d.Store.Overrule(t.Context(), id, record.Clean, "checked by two", "al"); err != nil {
		t.Fatal(err)
	}
	refuse := func(want string, orders ...control.Order) {
		t.Helper()
		before, err := d.Store.Judgements(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range orders {
			o.Pass = id
			if said, err := d.Do(t.Context(), o); err == nil || !strings.HasPrefix(err.Error(), want) {
				t.Errorf("%+v: %q, %v", o, said, err)
			}
		}
		if now, err := d.Store.Judgements(t.Context(), id); err != nil || len(now) != len(before) {
			t.Errorf("%d entries in the history, were %d, %v", len(now), len(before), err)
		}
	}
	const stale = "the page is out of date: the pass is clean by hand by now; "
	refuse(stale, control.Order{Verb: "overrule", Verdict: record.VerdictBad, Why: "x", Seen: old}, control.Order{Verb: "take-back", Why: "x", Seen: old},
		control.Order{Verb: "take-back", Why: "x", Seen: first}, control.Order{Verb: "overrule", Verdict: record.VerdictBad, Why: "x", Seen: first}, control.Order{Verb: "take-back", Why: "x"})
	refuse("the pass is clean by hand already", control.Order{Verb: "overrule", Verdict: record.Clean, Why: "checked by two", Seen: seen(t, d, id)})
	if said, err := d.Do(t.Context(), control.Order{Verb: "overrule", Pass: id, Verdict: record.Clean, Why: "a better reason", Seen: seen(t, d, id)}); err != nil {
		t.Errorf("%q, %v", said, err)
	}

	// A check that is given later counts as another verdict, too.
	other := saved(t, d.Store, 2, record.VerdictBad)
	old = seen(t, d, other)
	if err := d.Store.ReplaceFindings(t.Context(), other, []record.Finding{{Check: "completeness", Outcome: record.OK}}, record.Clean, "newer", "mo"); err != nil {
		t.Fatal(err)
	}
	id = other
	refuse("the page is out of date: the pass is clean by its checks by now; ", control.Order{Verb: "overrule", Verdict: record.VerdictDoubtful, Why: "x", Seen: old})
}

// Of many who set the verdict of one pass at once, each having seen what stood, one does.
func TestVerdictsAtTheSameTime(t *testing.T) {
	d, _, _ := desk(t)
	id := saved(t, d.Store, 1, record.VerdictBad)
	o := control.Order{Verb: "overrule", Pass: id, Verdict: record.Clean, Why: "the stop is meant", Seen: seen(t, d, id)}
	var all sync.WaitGroup
	var done atomic.Int32
	for range 8 {
		all.Go(func() {
			if _, err := d.Do(t.Context(), o); err == nil {
				done.Add(1)
			} else if !strings.Contains(err.Error(), "by hand") {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if j, err := d.Store.Judgements(t.Context(), id); err != nil || done.Load() != 1 || len(j) != 2 {
		t.Errorf("%d were done, %d entries in the history, %v", done.Load(), len(j), err)
	}
}

// A verdict by hand needs a reason and a pass named in full, says who gave it, and can be taken
// back.
func TestDeskSetsVerdicts(t *testing.T) {
	d, _, told := desk(t)
	id := saved(t, d.Store, 1, record.VerdictBad)
	for what, o := range map[string]control.Order{
		"no reason": {Verb: "overrule", Pass: id, Verdict: record.Clean}, "blank": {Verb: "overrule", Pass: id, Verdict: record.Clean, Why: " \u200b\n"},
		"no verdict": {Verb: "overrule", Pass: id, Why: "x"}, "no such verdict": {Verb: "overrule", Pass: id, Why: "x", Verdict: "good"},
		"no pass": {Verb: "overrule", Why: "x", Verdict: record.Clean}, "a beginning": {Verb: "overrule", Pass: id[:8], Why: "x", Verdict: record.Clean},
		"unknown": {Verb: "overrule", Pass: strings.Repeat("f", len(id)), Why: "x", Verdict: record.Clean}, "nothing to take back": {Verb: "take-back", Pass: id, Why: "x"},
	} {
		o.Seen = seen(t, d, id)
		if said, err := d.Do(t.Context(), o); err == nil {
			t.Errorf("%s: %q", what, said)
		}
	}
	said, err := d.Do(t.Context(), control.Order{Verb: "overrule", Pass: id, Seen: seen(t, d, id), Verdict: record.Clean, Why: "the stop\nis meant", Who: "phone"})
	p, readErr := d.Store.Pass(t.Context(), id)
	if err != nil || readErr != nil || said != "The pass was bad and is now clean by hand." || p.Verdict != record.Clean || p.Overruled != "the stop is meant" || told.Load() == 0 {
		t.Errorf("%q, %v, %+v, told %d times", said, errors.Join(err, readErr), p.Overruled, told.Load())
	}
	j, err := d.Store.Judgements(t.Context(), id)
	if err != nil || len(j) == 0 || j[len(j)-1].Who != "phone (page)" {
		t.Errorf("%+v, %v", j, err)
	}
	said, err = d.Do(t.Context(), control.Order{Verb: "take-back", Pass: id, Seen: seen(t, d, id), Why: "a slip"})
	if p, _ = d.Store.Pass(t.Context(), id); err != nil || said != "The pass was clean and is now bad by its checks." || p.Verdict != record.VerdictBad || p.Overruled != "" {
		t.Errorf("%q, %v, %+v", said, err, p.Verdict)
	}
}

// An alert is acknowledged on every channel, and none without its name; pausing names who did it.
func TestDeskAcknowledgesAndPauses(t *testing.T) {
	d, a, _ := desk(t)
	now := time.Now()
	for _, id := range []string{"one/terminal", "one/web", "two/terminal", "three/terminal"} {
		if err := d.Store.Enqueue(t.Context(), store.Alert{ID: id, Channel: id, Payload: []byte(`{}`), MadeAt: now, DueAt: now}); err != nil {
			t.Fatal(err)
		}
	}
	open := func() int {
		rows, err := d.Store.Alerts(t.Context(), true, 0)
		if err != nil {
			t.Fatal(err)
		}
		return len(rows)
	}
	if said, err := d.Do(t.Context(), control.Order{Verb: "acknowledge", Alert: "one", Who: "phone"}); err != nil || said != "Acknowledged." || open() != 2 {
		t.Errorf("%q, %v, %d are open", said, err, open())
	}
	if _, err := d.Do(t.Context(), control.Order{Verb: "acknowledge", Alert: "one"}); err == nil {
		t.Error("once more")
	}
	if said, err := d.Do(t.Context(), control.Order{Verb: "acknowledge"}); err == nil || open() != 2 {
		t.Errorf("%q, %v, %d are open", said, err, open())
	}
	clean := saved(t, d.Store, 1, record.Clean)
	if err := d.Store.Enqueue(t.Context(), store.Alert{ID: "settled/web", PassID: clean, Channel: "web", Payload: []byte(`{"kind":"bad-pass"}`), MadeAt: now, DueAt: now}); err != nil {
		t.Fatal(err)
	}
	if said, err := d.Do(t.Context(), control.Order{Verb: "acknowledge"}); err == nil {
		t.Errorf("%q of an alert that is settled", said)
	}
	if _, err := d.Do(t.Context(), control.Order{Verb: "pause", Who: "phone"}); err != nil || a.paused != "by phone (page)" {
		t.Errorf("%q, %v", a.paused, err)
	}
	if _, err := d.Do(t.Context(), control.Order{Verb: "resume"}); err != nil || a.paused != "" {
		t.Errorf("%q, %v", a.paused, err)
	}
}
