package store

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"time"
)

// What is given up is not due any more, does not count as still to be delivered, and can be
// told from what waits; also where an older program wrote that it is due in a hundred years.
func TestAlertsThatAreGivenUpDoNotWait(t *testing.T) {
	ctx := context.Background()
	s, err := Open(ctx, filepath.Join(t.TempDir(), "passes.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for id, next := range map[string]time.Time{"given up": {}, "as older programs": time.Now().AddDate(100, 0, 0), "waits": time.Now().Add(time.Hour)} {
		if err := s.Enqueue(ctx, Alert{ID: id, Channel: "c"}); err != nil {
			t.Fatal(err)
		}
		if err := s.Failed(ctx, id, errors.New("refused"), next); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := s.Undelivered(ctx); err != nil || n != 1 {
		t.Errorf("%d are still to be delivered, %v", n, err)
	}
	if list, err := s.Due(ctx, time.Now().AddDate(50, 0, 0)); err != nil || len(list) != 1 || list[0].ID != "waits" {
		t.Errorf("due: %+v, %v", list, err)
	}
	list, err := s.Alerts(ctx, false, 0)
	if err != nil || len(list) != 3 {
		t.Fatal(list, err)
	}
	for _, a := range list {
		if a.DueAt.IsZero() != (a.ID != "waits") {
			t.Errorf("%s is due at %s", a.ID, a.DueAt)
		}
	}
}
