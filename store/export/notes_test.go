package export_test

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
)

// Notes about the passes of a package travel with it in every form, with what took some back,
// and no others do.
func TestNotesTravel(t *testing.T) {
	from := newStore(t)
	add(t, from, 1, "Glass Halyard")
	say := func(game, text string) string {
		id, err := from.Note(ctx, map[string]string{"game": game}, text, "Ida")
		must(t, err)
		return id
	}
	formula := say("Glass Halyard", "=1+1, \"quoted\"\tand cut")
	say("Tide Works", "of another game")
	gone := say("Glass Halyard", "a slip")
	undo, err := from.UndoNote(ctx, gone, "Ida")
	must(t, err)
	for _, f := range []export.Format{export.JSONLines, export.CSV, export.Parquet} {
		dir := t.TempDir()
		for range 2 { // the second export changes nothing
			_, err := export.Write(ctx, from, store.Filter{}, dir, f)
			must(t, err)
		}
		to := newStore(t)
		for i, want := range []int{3, 0} {
			taken, err := export.Read(ctx, to, dir)
			if err != nil || taken.Notes != want {
				t.Errorf("%s, reading %d: %+v, %v", f, i, taken, err)
			}
		}
		want, err := from.Notes(ctx)
		must(t, err)
		got, err := to.Notes(ctx)
		must(t, err)
		ids := ""
		for _, n := range got {
			ids += n.ID + " "
			for _, w := range want {
				if w.ID == n.ID && fmt.Sprint(w) != fmt.Sprint(n) {
					t.Errorf("%s: %v became %v", f, w, n)
				}
			}
		}
		if ids != formula+" "+gone+" "+undo+" " {
			t.Errorf("%s: %q", f, ids)
		}
		if left := record.Standing(got); len(left) != 1 {
			t.Errorf("%s: %v stand", f, left)
		}
	}
}

// A folder whose passes have no notes any more holds none, and one from a stranger is checked.
func TestNotesOfAPackage(t *testing.T) {
	from := newStore(t)
	add(t, from, 1, "Glass Halyard")
	dir := t.TempDir()
	_, err := from.Note(ctx, map[string]string{"game": "Glass Halyard"}, "loud", "Ida")
	must(t, err)
	_, err = export.Write(ctx, from, store.Filter{}, dir, export.JSONLines)
	must(t, err)
	file := filepath.Join(dir, "notes", "notes.jsonl")
	was, err := os.ReadFile(file)
	must(t, err)
	for _, text := range []string{
		strings.Replace(string(was), "loud", strings.Repeat("l", 9000), 1), strings.Replace(string(was), `{\"game\":\"Glass Halyard\"}`, "[]", 1),
		strings.Repeat(string(was), 2_0001), "no JSON",
	} {
		must(t, os.WriteFile(file, []byte(text), 0o666))
		to := newStore(t)
		if taken, err := export.Read(ctx, to, dir); err == nil || taken.New != 1 {
			t.Errorf("%.60q: %+v, %v", text, taken, err)
		}
		if all, err := to.Notes(ctx); err != nil || len(all) != 0 {
			t.Errorf("%.60q: %v, %v", text, all, err)
		}
	}
	_, err = export.Write(ctx, from, store.Filter{Tags: map[string]string{"game": "Tide Works"}}, dir, export.JSONLines)
	must(t, err)
	if _, err := os.Stat(file); !os.IsNotExist(err) {
		t.Errorf("the notes are still there: %v", err)
	}
}

// A damaged note stops no package: the others go, and neither it nor one in doubt does.
func TestDamagedNoteStopsNoPackage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	from, err := store.Open(ctx, path, store.Options{})
	must(t, err)
	add(t, from, 1, "Glass Halyard")
	about := map[string]string{"game": "Glass Halyard"}
	_, err = from.Note(ctx, about, "loud", "Ida")
	must(t, err)
	slip, err := from.Note(ctx, about, "a slip", "Ida")
	must(t, err)
	_, err = from.UndoNote(ctx, slip, "Ida")
	must(t, err)
	must(t, from.Close())
	db, err := sql.Open("sqlite", path)
	must(t, err)
	_, err = db.Exec(`UPDATE notes SET who = 'Idb' WHERE undoes <> ''`)
	must(t, err)
	must(t, db.Close())
	from, err = store.Open(ctx, path, store.Options{})
	must(t, err)
	defer from.Close()
	dir := t.TempDir()
	done, err := export.Write(ctx, from, store.Filter{}, dir, export.JSONLines)
	if err != nil || done.Written != 1 || done.Notes != 1 || !errors.Is(done.NotesLeftOut, store.ErrCorrupt) {
		t.Fatalf("%+v, %v", done, err)
	}
	to := newStore(t)
	_, err = export.Read(ctx, to, dir)
	must(t, err)
	if all, err := to.Notes(ctx); err != nil || len(all) != 1 || all[0].Text != "loud" {
		t.Errorf("%v, %v", all, err)
	}
}
