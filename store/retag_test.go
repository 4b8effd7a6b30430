package store_test

import (
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

func TestCorrectionsKeepTheirHistory(t *testing.T) {
	s := newStore(t)
	a, b := mustSave(t, s, arrival(1)).ID, mustSave(t, s, arrival(2)).ID
	first, err := s.Retag(ctx, []string{a, b}, map[string]string{"game": "Tin Valley", "preset": "", "patch": "1.2"}, "mo", "wrong folder")
	if err != nil {
		t.Fatal(err)
	}
	p, _ := s.Pass(ctx, a)
	if _, has := p.Tags["preset"]; has || p.Tags["game"] != (record.Tag{Value: "Tin Valley", From: record.FromHand}) || p.Tags.Value("patch") != "1.2" {
		t.Errorf("tags %v", p.Tags)
	}
	cells := query(t, s, "SELECT game, preset, passes FROM cells")
	if len(cells) != 1 || cells[0][0] != "Tin Valley" || cells[0][1] != "" {
		t.Errorf("cells %v", cells)
	}
	second, err := s.Retag(ctx, []string{a}, map[string]string{"game": "Glass Harbour"}, "mo", "right after all")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Undo(ctx, first, "mo", ""); err == nil {
		t.Error("a change was undone below a later one")
	}
	for _, c := range []string{second, first} {
		if _, err := s.Undo(ctx, c, "mo", "back"); err != nil {
			t.Fatal(err)
		}
	}
	for i, id := range []string{a, b} {
		p, _ := s.Pass(ctx, id)
		for name, tag := range arrival(i + 1).Pass.Tags {
			if p.Tags[name] != tag {
				t.Errorf("pass %d: %s is %v after undoing, was %v", i, name, p.Tags[name], tag)
			}
		}
		if len(p.Tags) != 4 {
			t.Errorf("tags %v", p.Tags)
		}
	}
	h, err := s.TagHistory(ctx, a)
	if err != nil || len(h) != 8 || h[0].Who != "mo" || h[0].Why != "wrong folder" || h[0].Old.Value != "Glass Harbour" || h[7].Undoes != first {
		t.Errorf("history %+v, %v", h, err)
	}
	if _, err := s.Undo(ctx, "none", "mo", ""); !errors.Is(err, store.ErrNoChange) {
		t.Errorf("undo of nothing: %v", err)
	}
	if _, err := s.Retag(ctx, []string{a, "ffff"}, map[string]string{"game": "X"}, "mo", ""); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a pass that is not there: %v", err)
	}
	if p, _ := s.Pass(ctx, a); p.Tags.Value("game") != "Glass Harbour" {
		t.Error("half of a refused change was made")
	}
}

func TestVerdictsKeepTheirHistory(t *testing.T) {
	s := newStore(t)
	id := mustSave(t, s, arrival(1)).ID
	bad := []record.Finding{{Check: "thermal", Version: "1", Outcome: record.Bad, Reason: "95 degrees C"}}
	ok := []record.Finding{{Check: "thermal", Version: "2", Outcome: record.OK, Reason: "95 degrees C is this card's limit"}}
	steps := []error{
		s.Finish(ctx, id, bad, record.VerdictBad),
		s.Overrule(ctx, id, record.Clean, "looked at it", "mo"),
		s.ReplaceFindings(ctx, id, ok, record.VerdictDoubtful, "newer validator", "mo"),
	}
	for i, err := range steps {
		if err != nil {
			t.Fatal(i, err)
		}
	}
	p, _ := s.Pass(ctx, id)
	if p.Verdict != record.Clean || p.Overruled != "looked at it" || len(p.Findings) != 1 || p.Findings[0].Version != "2" {
		t.Errorf("pass %+v", p)
	}
	j, err := s.Judgements(ctx, id)
	if err != nil || len(j) != 3 || j[0].Verdict != record.VerdictBad || j[0].Findings[0].Version != "1" || j[1].Who != "mo" || j[2].Kind != "rechecked" {
		t.Errorf("history %+v, %v", j, err)
	}
	mine := func([]record.Finding) record.Verdict { t.Error("asked, though the store knows"); return "" }
	if err := s.Overrule(ctx, id, record.VerdictBad, "hot after all", "al"); err != nil { // while mo's was looked at
		t.Fatal(err)
	}
	if err := s.TakeBack(ctx, p, "the other pass was meant", "jo", mine); !errors.Is(err, store.ErrOtherVerdict) || !strings.Contains(err.Error(), "hot after all") {
		t.Errorf("a verdict that nobody saw is taken back: %v", err)
	}
	p, _ = s.Pass(ctx, id)
	if p.Verdict != record.VerdictBad || p.Overruled != "hot after all" {
		t.Errorf("refused, and yet: %+v", p)
	}
	if err := s.TakeBack(ctx, p, "the other pass was meant", "jo", mine); err != nil {
		t.Fatal(err)
	}
	p, _ = s.Pass(ctx, id)
	if p.Verdict != record.VerdictDoubtful || p.Overruled != "" || p.Findings[0].Version != "2" {
		t.Errorf("taken back: pass %+v", p)
	}
	if j, err := s.Judgements(ctx, id); err != nil || len(j) != 5 || j[1].Kind != "overruled" || j[1].Verdict != record.Clean ||
		j[4].Kind != "taken back" || j[4].Verdict != record.VerdictDoubtful || j[4].Who != "jo" || j[4].Reason != "the other pass was meant" || j[4].At == "" {
		t.Errorf("history %+v, %v", j, err)
	}
	if err := s.TakeBack(ctx, p, "again", "jo", mine); !errors.Is(err, store.ErrNotByHand) {
		t.Errorf("taken back twice: %v", err)
	}
	if err := s.Overrule(ctx, id, record.Clean, "hot, but meant", "al"); err != nil {
		t.Fatal(err)
	}
	if err := s.OverruleSeen(ctx, p, record.VerdictBad, "hot", "jo"); !errors.Is(err, store.ErrOtherVerdict) || !strings.Contains(err.Error(), "hot, but meant") {
		t.Errorf("a verdict that nobody saw is overruled: %v", err)
	}
	if p, _ = s.Pass(ctx, id); p.Overruled != "hot, but meant" {
		t.Errorf("refused, and yet: %+v", p)
	}
	if err := s.OverruleSeen(ctx, p, record.VerdictBad, "hot", "jo"); err != nil {
		t.Error(err)
	}
	if err := s.Overrule(ctx, id, record.Clean, "", "mo"); err == nil {
		t.Error("overruled without a reason")
	}
	if err := s.Overrule(ctx, id, "fine", "x", "mo"); err == nil {
		t.Error("overruled with no verdict")
	}
}

// A pass that was overruled on another bench came with that verdict alone: taken back, its
// findings decide.
func TestTakeBackWhatWasOverruledElsewhere(t *testing.T) {
	s := newStore(t)
	a := arrival(1)
	a.Pass.Verdict, a.Pass.Overruled = record.Clean, "looked at it"
	a.Pass.Findings = []record.Finding{{Check: "thermal", Version: "1", Outcome: record.Bad, Reason: "95 degrees C"}}
	id, _, err := s.Adopt(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	judge := func(f []record.Finding) record.Verdict { return record.Judge(f, nil) }
	p, _ := s.Pass(ctx, id)
	if err := s.TakeBack(ctx, p, "it was hot", "jo", judge); err != nil {
		t.Fatal(err)
	}
	p, _ = s.Pass(ctx, id)
	if p.Verdict != record.VerdictBad || p.Overruled != "" || len(p.Findings) != 1 || p.Findings[0].Reason != "95 degrees C" {
		t.Errorf("pass %+v", p)
	}
	if err := s.Overrule(ctx, id, record.Clean, "no", "mo"); err != nil {
		t.Fatal(err)
	}
	p, _ = s.Pass(ctx, id)
	if err := s.TakeBack(ctx, p, "yes", "jo", nil); err != nil { // nothing to decide any more
		t.Fatal(err)
	}
	if j, err := s.Judgements(ctx, id); err != nil || j[len(j)-1].Kind != "taken back" || j[len(j)-1].Verdict != record.VerdictBad {
		t.Errorf("history %+v, %v", j, err)
	}
}

func TestQueueOfAlerts(t *testing.T) {
	s := newStore(t)
	for range 2 { // the second is the same alert
		if err := s.Enqueue(ctx, store.Alert{ID: "a", PassID: "p", Channel: "hook", Payload: []byte("{}")}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Enqueue(ctx, store.Alert{ID: "b", Channel: "desktop"}); err != nil {
		t.Fatal(err)
	}
	due := func(at time.Time) (ids string) {
		list, err := s.Due(ctx, at)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			ids += a.ID
		}
		return ids
	}
	if got := due(day); got != "ab" {
		t.Errorf("due %q", got)
	}
	if n, err := s.Undelivered(ctx); err != nil || n != 2 {
		t.Errorf("%d alerts count as not delivered, %v", n, err)
	}
	if err := s.Failed(ctx, "a", errors.New("no route"), day.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if err := s.Delivered(ctx, "b"); err != nil {
		t.Fatal(err)
	}
	if got := due(day); got != "" {
		t.Errorf("due %q", got)
	}
	if got := due(day.Add(time.Minute)); got != "a" {
		t.Errorf("due after a minute %q", got)
	}
	if err := s.Acknowledge(ctx, "a", "mo"); err != nil {
		t.Fatal(err)
	}
	list, err := s.Alerts(ctx, false, 0)
	if err != nil || len(list) != 2 || list[1].Attempts != 1 || list[1].Error != "no route" || list[1].SeenBy != "mo" || string(list[1].Payload) != "{}" {
		t.Errorf("%+v, %v", list, err)
	}
	if n, err := s.Undelivered(ctx); err != nil || n != 0 {
		t.Errorf("%d alerts count as not delivered, %v", n, err)
	}
	if list, _ := s.Alerts(ctx, true, 0); len(list) != 1 || list[0].ID != "b" {
		t.Errorf("open %+v", list)
	}
	if err := s.Delivered(ctx, "none"); err == nil {
		t.Error("an alert that is not there was delivered")
	}
}

// What many programs add to one setting is all kept, and a change that is refused leaves it.
func TestSettingsAreChangedInOneStep(t *testing.T) {
	s := newStore(t)
	var all sync.WaitGroup
	for range 20 {
		all.Go(func() {
			if err := s.ChangeSetting(ctx, "plan", func(v string) (string, error) { return v + "x", nil }); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	no := errors.New("no")
	if err := s.ChangeSetting(ctx, "plan", func(string) (string, error) { return "lost", no }); !errors.Is(err, no) {
		t.Error(err)
	}
	if v, _, err := s.Setting(ctx, "plan"); err != nil || v != strings.Repeat("x", 20) {
		t.Errorf("%q, %v", v, err)
	}
}

func TestSettings(t *testing.T) {
	s := newStore(t)
	if _, ok, err := s.Setting(ctx, "plan"); ok || err != nil {
		t.Error(ok, err)
	}
	for _, v := range []string{"1", "2", ""} {
		if err := s.SetSetting(ctx, "plan", v); err != nil {
			t.Fatal(err)
		}
		if got, ok, err := s.Setting(ctx, "plan"); got != v || !ok || err != nil {
			t.Errorf("%q, %v, %v", got, ok, err)
		}
	}
}

// A verdict set by hand while the pass waited to be judged is not lost when it is.
func TestByHandBeforeTheChecks(t *testing.T) {
	s := newStore(t)
	saved := mustSave(t, s, arrival(1))
	if err := s.Overrule(ctx, saved.ID, record.VerdictBad, "the window was open", "mo"); err != nil {
		t.Fatal(err)
	}
	if err := s.Finish(ctx, saved.ID, []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}, record.Clean); err != nil {
		t.Fatal(err)
	}
	p, err := s.Pass(ctx, saved.ID)
	if err != nil || p.Verdict != record.VerdictBad || p.Overruled != "the window was open" || len(p.Findings) != 1 {
		t.Errorf("%s (%s) %+v, %v", p.Verdict, p.Overruled, p.Findings, err)
	}
	if err := s.TakeBack(ctx, p, "it was shut", "mo", nil); err != nil {
		t.Fatal(err)
	}
	if p, err = s.Pass(ctx, saved.ID); err != nil || p.Verdict != record.Clean || p.Overruled != "" {
		t.Errorf("%s (%s), %v", p.Verdict, p.Overruled, err)
	}
}
