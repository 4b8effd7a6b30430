package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/store"
)

// noted is a store with the notes first and second and one that was taken back.
type noted struct {
	path            string
	withdrawn, undo string
	whole           []record.Note // as they were before the damage
}

func makeNoted(t *testing.T) (n noted) {
	t.Helper()
	n.path = filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, n.path)
	mustSave(t, s, arrival(1))
	note(t, s, "first", "gpu=A")
	n.withdrawn = note(t, s, "withdrawn", "gpu=A")
	var err error
	n.undo, err = s.UndoNote(ctx, n.withdrawn, "Jo")
	must(t, err)
	note(t, s, "second", "gpu=B")
	n.whole, err = s.Notes(ctx)
	must(t, err)
	must(t, s.Close())
	return n
}

// shown are the texts of the notes that stand in a damaged store.
func shown(t *testing.T, s *store.Store) string {
	t.Helper()
	all, err := s.Notes(ctx)
	if err != nil && !errors.Is(err, store.ErrCorrupt) {
		t.Fatal(err)
	}
	return texts(record.Standing(all))
}

func texts(list []record.Note) string {
	var out []string
	for _, n := range list {
		out = append(out, n.Text)
	}
	return strings.Join(out, " ")
}

func said(r store.Report) string {
	var out []string
	for _, p := range r.Problems {
		out = append(out, p.What)
	}
	return strings.Join(out, "; ")
}

// What a damaged row may have taken back is not shown again, neither here nor in what was
// salvaged, where the reviewer can have it back.
func TestDamagedUndoing(t *testing.T) {
	for _, c := range []struct{ damage, shown, doubt, said string }{
		{`UPDATE notes SET who = 'Jp' WHERE undoes <> ''`, "first second", "withdrawn", "1 note was not copied"},
		{`UPDATE notes SET digest = x'00' WHERE undoes <> ''`, "first second", "withdrawn", "1 note was not copied"},
		{`UPDATE notes SET id = '0123456789ab' WHERE undoes <> ''`, "first second", "withdrawn", "1 note was not copied"},
		// The digest tells which note the row named.
		{`UPDATE notes SET undoes = 'x' || substr(undoes, 2) WHERE undoes <> ''`, "first second", "withdrawn", "1 note was not copied"},
		// Nothing tells: each before it is in doubt.
		{`UPDATE notes SET undoes = 'x' || substr(undoes, 2), who = 'Jp' WHERE undoes <> ''`, "second", "first withdrawn", "1 note was not copied"},
		{`UPDATE notes SET undoes = '' WHERE undoes <> ''; UPDATE notes SET who = 'Jp' WHERE text = ''`, "second", "first withdrawn", "1 note was not copied"},
		// A damaged note takes nothing back.
		{`UPDATE notes SET text = 'fiRst' WHERE text = 'first'`, "second", "", "1 note was not copied"},
	} {
		t.Run(c.damage, func(t *testing.T) {
			n := makeNoted(t)
			execute(t, n.path, c.damage)
			s := mustOpen(t, n.path)
			if got := shown(t, s); got != c.shown {
				t.Errorf("shown: %q, want %q", got, c.shown)
			}
			all, _ := s.Notes(ctx)
			var doubt []record.Note
			for _, x := range all {
				if x.InDoubt {
					doubt = append(doubt, x)
				}
			}
			if texts(doubt) != c.doubt {
				t.Errorf("in doubt: %q, want %q", texts(doubt), c.doubt)
			}
			to := filepath.Join(t.TempDir(), "saved.db")
			r, err := s.Salvage(ctx, to)
			if err != nil || !strings.Contains(said(r), c.said) || strings.Contains(said(r), "taken back") != (c.doubt != "") {
				t.Errorf("%+v, %v", r, err)
			}
			saved := mustOpen(t, to)
			wantStanding(t, saved, strings.Fields(c.shown)...)
			if len(doubt) == 0 {
				return
			}
			all, err = saved.Notes(ctx) // whole again: the reviewer decides
			must(t, err)
			for _, x := range all {
				if x.Undoes == doubt[0].ID && !record.TakenBack(all)[x.ID] {
					_, err = saved.UndoNote(ctx, x.ID, "Jo")
					must(t, err)
				}
			}
			if got := standing(t, saved); !strings.Contains(fmt.Sprint(got), doubt[0].Text) {
				t.Errorf("%q cannot be had back: %q", doubt[0].Text, got)
			}
		})
	}
}

// The reviewer settles a doubt by taking the note back, and back again.
func TestDoubtIsSettled(t *testing.T) {
	n := makeNoted(t)
	execute(t, n.path, `UPDATE notes SET who = 'Jp' WHERE undoes <> ''`)
	s := mustOpen(t, n.path)
	if _, err := s.UndoNote(ctx, n.undo, "Jo"); !errors.Is(err, store.ErrCorrupt) {
		t.Errorf("a damaged row was taken back: %v", err)
	}
	undo, err := s.UndoNote(ctx, n.withdrawn, "Jo")
	must(t, err)
	if got := shown(t, s); got != "first second" {
		t.Errorf("taken back: %q", got)
	}
	_, err = s.UndoNote(ctx, undo, "Jo")
	must(t, err)
	if got := shown(t, s); got != "first withdrawn second" {
		t.Errorf("back again: %q", got)
	}
}

// A package takes in what is new beside damaged notes, and mends those that it holds.
func TestPackageMendsDamagedNotes(t *testing.T) {
	for _, damage := range []string{
		`UPDATE notes SET text = 'fiRst' WHERE text = 'first'`,
		`UPDATE notes SET who = 'Jp' WHERE undoes <> ''`,
		`UPDATE notes SET digest = x'00' WHERE text = 'first'`,
	} {
		n := makeNoted(t)
		execute(t, n.path, damage)
		s := mustOpen(t, n.path)
		other := newStore(t)
		note(t, other, "theirs", "gpu=B")
		theirs, err := other.Notes(ctx)
		must(t, err)
		forged := record.Note{ID: "00000000000f", Undoes: n.whole[0].ID, At: n.whole[0].At, Who: "Eve"}
		added, err := s.AdoptNotes(ctx, append(append(theirs, n.whole...), forged))
		if err != nil || added != 2 {
			t.Errorf("%s: %d, %v", damage, added, err)
		}
		// What was mended counts as given here, since its digest says so: no package takes it back.
		if all, err := s.Notes(ctx); err != nil || texts(record.Standing(all)) != "first second theirs" {
			t.Errorf("%s: %v, %v", damage, all, err)
		}
	}
	// Where the index of a damaged file has another identity than the row nothing is mended, and
	// nothing fails.
	n := makeNoted(t)
	id := n.whole[0].ID
	changePage(t, n.path, 0, func(page []byte) {
		i := bytes.Index(page, []byte(id+"{"))
		page[i] = 'x'
	})
	s, err := store.Open(ctx, n.path, store.Options{})
	must(t, err)
	defer s.Close()
	if added, err := s.AdoptNotes(ctx, n.whole); err != nil || added != 0 {
		t.Errorf("%d, %v", added, err)
	}
}

// changePage changes a leaf of the table of notes.
func changePage(t *testing.T, path string, which int, change func([]byte)) {
	t.Helper()
	db := rawOpen(t, path)
	var page, size int64
	must(t, db.QueryRow(`PRAGMA wal_checkpoint(TRUNCATE)`).Err())
	must(t, db.QueryRow(`SELECT pageno FROM dbstat WHERE name = 'notes' AND pagetype = 'leaf' ORDER BY path LIMIT 1 OFFSET ?`, which).Scan(&page))
	must(t, db.QueryRow(`PRAGMA page_size`).Scan(&size))
	must(t, db.Close())
	all, err := os.ReadFile(path)
	must(t, err)
	change(all[(page-1)*size : page*size])
	must(t, os.WriteFile(path, all, 0o600))
}

// Of notes on several pages salvage copies all but those on the damaged one, and says how many
// it did not.
func TestSalvageWithADamagedPageOfNotes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	mustSave(t, s, arrival(1))
	const many = 30
	for i := range many {
		note(t, s, fmt.Sprint(i, strings.Repeat("x", 900)), "gpu=A")
	}
	must(t, s.Close())
	changePage(t, path, 1, func(page []byte) { clear(page) })
	s, err := store.OpenDamaged(ctx, path)
	must(t, err)
	defer s.Close()
	to := filepath.Join(t.TempDir(), "saved.db")
	r, err := s.Salvage(ctx, to)
	must(t, err)
	all, err := mustOpen(t, to).Notes(ctx)
	must(t, err)
	kept := 0
	for _, n := range all {
		if n.Undoes == "" {
			kept++
		}
	}
	if kept < many/2 || kept == many || !strings.Contains(said(r), fmt.Sprintf("%d notes were not copied", many-kept)) {
		t.Errorf("%d copied; %s", kept, said(r))
	}
	if last := all[0].Text; !strings.HasPrefix(last, "0x") {
		t.Errorf("the first is %.9q", last)
	}
}

// Where the whole table is gone salvage says so.
func TestSalvageWithoutTheTableOfNotes(t *testing.T) {
	n := makeNoted(t)
	execute(t, n.path, `DROP TABLE notes`)
	s, err := store.OpenDamaged(ctx, n.path)
	must(t, err)
	defer s.Close()
	r, err := s.Salvage(ctx, filepath.Join(t.TempDir(), "saved.db"))
	if err != nil || !strings.Contains(said(r), "no note was copied") {
		t.Errorf("%+v, %v", r, err)
	}
}
