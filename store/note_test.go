package store_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

func note(t *testing.T, s *store.Store, text string, about ...string) string {
	t.Helper()
	of := map[string]string{}
	for _, a := range about {
		name, v, _ := strings.Cut(a, "=")
		of[name] = v
	}
	id, err := s.Note(ctx, of, text, "Ida")
	must(t, err)
	return id
}

// standing are the texts of the notes that stand.
func standing(t *testing.T, s *store.Store) (out []string) {
	t.Helper()
	all, err := s.Notes(ctx)
	must(t, err)
	for _, n := range record.Standing(all) {
		out = append(out, n.Text)
	}
	return out
}

func wantStanding(t *testing.T, s *store.Store, want ...string) {
	t.Helper()
	if got := standing(t, s); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("these notes stand: %q, want %q", got, want)
	}
}

func TestNotesAndTheirUndoing(t *testing.T) {
	s := newStore(t)
	const odd = "fan \x00 rattles, 50\u202e%\n=2+2"
	a := note(t, s, odd, "gpu=Lumen 60")
	note(t, s, "patched", "game=Copper Drift", "gpu=Lumen 60")
	undo, err := s.UndoNote(ctx, a, "Jo")
	must(t, err)
	wantStanding(t, s, "patched")
	if _, err := s.UndoNote(ctx, a, "Jo"); err == nil || !strings.Contains(err.Error(), "already") {
		t.Errorf("taken back twice: %v", err)
	}
	if _, err := s.UndoNote(ctx, "0123456789ab", "Jo"); !errors.Is(err, store.ErrNoNote) {
		t.Errorf("an unknown note: %v", err)
	}
	if _, err = s.UndoNote(ctx, undo, "Jo"); err != nil {
		t.Fatal(err)
	}
	wantStanding(t, s, odd, "patched")
	for text, about := range map[string]map[string]string{"": {"gpu": "A"}, " ": {"gpu": "A"}, "x": nil, "y": {"gpu": ""},
		strings.Repeat("z", 5000): {"gpu": "A"}} {
		if _, err := s.Note(ctx, about, text, "Ida"); err == nil {
			t.Errorf("%.9q on %v was taken", text, about)
		}
	}
	if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
}

// Notes from elsewhere come once and take back only what came from elsewhere.
func TestAdoptedNotes(t *testing.T) {
	here, there := newStore(t), newStore(t)
	mine := note(t, here, "mine", "gpu=A")
	their := note(t, there, "theirs", "gpu=B")
	carry := func(from, to *store.Store, want int) {
		t.Helper()
		all, err := from.Notes(ctx)
		must(t, err)
		if n, err := to.AdoptNotes(ctx, all); err != nil || n != want {
			t.Errorf("%d notes were new, %v; want %d", n, err, want)
		}
	}
	carry(there, here, 1)
	carry(there, here, 0)
	carry(here, there, 1) // what is mine
	_, err := there.UndoNote(ctx, mine, "Jo")
	must(t, err)
	_, err = there.UndoNote(ctx, their, "Jo")
	must(t, err)
	wantStanding(t, there)
	carry(there, here, 1)
	wantStanding(t, here, "mine")
	forged := []record.Note{{ID: "0123456789ab", Text: "x", About: map[string]string{"gpu": "A"}, At: time.Now()}, {ID: "0123456789ac", Undoes: "0123456789ab", Text: "y", At: time.Now()}}
	if n, err := here.AdoptNotes(ctx, forged); err == nil {
		t.Errorf("%d forged notes were taken", n)
	}
	wantStanding(t, here, "mine") // all of a package or nothing
}

// A note that another program changed is found, and the others are saved and backed up.
func TestDamagedNote(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "passes.db")
	s := mustOpen(t, path)
	mustSave(t, s, arrival(1))
	note(t, s, "first", "gpu=A")
	note(t, s, "second", "gpu=B")
	must(t, s.Backup(ctx, filepath.Join(dir, "copy.db")))
	wantStanding(t, mustOpen(t, filepath.Join(dir, "copy.db")), "first", "second")
	must(t, s.Close())
	execute(t, path, `UPDATE notes SET text = 'fiRst' WHERE text = 'first'`)
	s = mustOpen(t, path)
	all, err := s.Notes(ctx)
	if !errors.Is(err, store.ErrCorrupt) || len(all) != 1 || all[0].Text != "second" {
		t.Errorf("%v, %v", all, err)
	}
	r, err := s.Verify(ctx)
	if err != nil || len(r.Problems) != 1 || !strings.Contains(r.Problems[0].What, "1 note changed") {
		t.Errorf("%+v, %v", r, err)
	}
	_, err = s.Salvage(ctx, filepath.Join(dir, "saved.db"))
	must(t, err)
	wantStanding(t, mustOpen(t, filepath.Join(dir, "saved.db")), "second")
}
