package notify

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// told keeps what was handed on, or refuses it.
type told struct {
	list []Alert
	down bool
}

func (s *told) send(_ context.Context, a Alert) error {
	if s.down {
		return errors.New("the queue cannot be written")
	}
	s.list = append(s.list, a)
	return nil
}

func TestATroubleIsToldOnceAndStandsUntilItIsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, ctx := &told{}, t.Context()
		all := &Troubles{Bench: "b", Send: s.send}
		for range 5 {
			all.Raise(ctx, "disk", "the disk is full", "make room")
			pass(time.Minute)
		}
		all.Raise(ctx, "disk", "the disk is still full", "make room")
		if got := all.List(); len(s.list) != 1 || len(got) != 1 || got[0].Text != "the disk is still full" || time.Since(got[0].Since) != 5*time.Minute {
			t.Errorf("told %v, standing %v", s.list, got)
		}
		// One that comes and goes is told once.
		for range 5 {
			all.Clear("disk")
			if len(all.List()) != 0 {
				t.Error("it is over and stands")
			}
			pass(time.Minute)
			all.Raise(ctx, "disk", "full again", "make room")
		}
		if len(s.list) != 1 {
			t.Errorf("told %d times while it came and went", len(s.list))
		}
		all.Clear("disk")
		pass(calm)
		all.Raise(ctx, "disk", "full once more", "make room")
		if len(s.list) != 2 || s.list[0].ID == s.list[1].ID {
			t.Errorf("after a calm time: %v", s.list)
		}
	})
}

func TestATroubleThatCouldNotBeToldIsToldLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, ctx := &told{down: true}, t.Context()
		all := &Troubles{Bench: "b", Send: s.send}
		all.Raise(ctx, "disk", "the disk is full", "make room")
		all.Say(ctx, FromTest("b", time.Now()))
		pass(time.Hour)
		if all.Tell(ctx) || len(s.list) != 0 || len(all.List()) != 1 {
			t.Errorf("told %v", s.list)
		}
		s.down = false
		for range 2 { // the second time nothing is left to tell
			if !all.Tell(ctx) || len(s.list) != 2 {
				t.Errorf("told %v", s.list)
			}
		}
	})
}

func TestAGroupOfTroublesIsReplaced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, ctx := &told{}, t.Context()
		all := &Troubles{Bench: "b", Send: s.send}
		all.Raise(ctx, "store", "elsewhere", "")
		all.Replace(ctx, "read", map[string]Standing{"a": {Text: "a"}, "b": {Text: "b"}})
		all.Replace(ctx, "read", map[string]Standing{"b": {Text: "still b"}, "c": {Text: "c"}})
		var texts []string
		for _, x := range all.List() {
			texts = append(texts, x.Text)
		}
		if len(texts) != 3 || texts[0] != "c" && texts[0] != "elsewhere" && texts[0] != "still b" || len(s.list) != 4 {
			t.Errorf("standing %q, told %d", texts, len(s.list))
		}
		all.Replace(ctx, "read", nil)
		if len(all.List()) != 1 {
			t.Errorf("standing %v", all.List())
		}
	})
}

// Who tells waits for the store, maybe for long: whoever comes then waits for that as his own
// context allows, and a clock that stands still while somebody waits is not needed.
func TestTwoWhoTellAtTheSameTimeTellOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &told{}
		all := &Troubles{Bench: "b", Send: func(ctx context.Context, a Alert) error {
			time.Sleep(5 * time.Second) // the store is busy
			return s.send(ctx, a)
		}}
		go all.Raise(t.Context(), "disk", "the disk is full", "make room")
		pass(time.Second)
		short, stop := context.WithTimeout(t.Context(), time.Second)
		defer stop()
		if all.Tell(short) || short.Err() == nil {
			t.Error("did not wait for who tells already, or longer than its context allows")
		}
		if !all.Tell(t.Context()) || len(s.list) != 1 {
			t.Errorf("told %v", s.list)
		}
	})
}
