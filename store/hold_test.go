package store_test

import (
	"path/filepath"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

// TestHeldPassesAreFreeAgain: what a program puts back it keeps to itself, until it ends, or
// was killed and its time is over. New passes are nobody's.
func TestHeldPassesAreFreeAgain(t *testing.T) {
	ctx, now := t.Context(), time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC)
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "passes.db"), store.Options{Now: func() time.Time { return now }})
	must(t, err)
	defer s.Close()
	old, fresh := mustSave(t, s, arrival(1)), mustSave(t, s, arrival(2))
	must(t, s.Finish(ctx, old.ID, nil, record.Clean))
	must(t, s.MarkNotified(ctx, old.ID))
	must(t, s.Hold(ctx, "one"))
	_, err = s.Retag(ctx, []string{old.ID}, map[string]string{"game": "Tin Valley"}, "me", "")
	must(t, err)
	held := func(what string, want time.Time) {
		t.Helper()
		list, err := s.Unfinished(ctx)
		if err != nil || len(list) != 2 {
			t.Fatalf("%s: %v, %v", what, list, err)
		}
		for _, u := range list {
			if u.Pass.ID == fresh.ID && !u.Held.IsZero() || u.Pass.ID == old.ID && !u.Held.Equal(want) {
				t.Errorf("%s: %s is held until %v, want %v", what, u.Pass.ID, u.Held, want)
			}
		}
	}
	first := now.Add(store.HoldFor)
	held("one holds", first)
	now = now.Add(20 * time.Second)
	must(t, s.Hold(ctx, "two"))
	held("two holds too", now.Add(store.HoldFor))
	must(t, s.Release(ctx, "two"))
	held("two is done", first)
	now = first
	held("one was killed", time.Time{})
	must(t, s.Hold(ctx, "one"))
	now = now.AddDate(0, 0, -1)
	held("the clock was set back", time.Time{})
	must(t, s.SetSetting(ctx, "judging.held", "rubbish"))
	held("rubbish", time.Time{})
}
