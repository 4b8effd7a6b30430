package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Note keeps what the reviewer noted about something and returns the identity of the note, for
// [Store.UndoNote].
func (s *Store) Note(ctx context.Context, about map[string]string, text, who string) (id string, err error) {
	id = tables.NewChange()
	err = s.write(ctx, func(tx *sql.Tx) error {
		return tables.AddNote(ctx, tx, tables.StoredNote{Note: record.Note{ID: id, About: about, Text: text, At: s.now(), Who: who}})
	})
	return id, sqlbase.Wrap(err, "note")
}

// UndoNote takes a note back, or the taking back of one: [ErrNoNote] where there is none. It
// returns the identity of what it did, to be undone likewise.
func (s *Store) UndoNote(ctx context.Context, id, who string) (undo string, err error) {
	undo = tables.NewChange()
	err = s.write(ctx, func(tx *sql.Tx) error {
		stored, _, err := tables.Notes(ctx, tx)
		if err != nil {
			return err
		}
		all := plain(stored)
		if !slices.ContainsFunc(all, func(n record.Note) bool { return n.ID == id }) {
			return fmt.Errorf("%w: %q", ErrNoNote, id)
		}
		if record.TakenBack(all)[id] {
			return fmt.Errorf("%s was taken back already", id)
		}
		return tables.AddNote(ctx, tx, tables.StoredNote{Note: record.Note{ID: undo, Undoes: id, At: s.now(), Who: who}})
	})
	return undo, sqlbase.Wrap(err, "take the note back")
}

// Notes returns all notes with what took some of them back, oldest first; [record.Standing]
// tells which stand. Where some are damaged the others come with an [ErrCorrupt].
func (s *Store) Notes(ctx context.Context) (out []record.Note, err error) {
	list, damaged, err := tables.Notes(ctx, s.db)
	out = plain(list)
	if err == nil && damaged > 0 {
		err = fmt.Errorf("%w: %s changed since it was stored", ErrCorrupt, record.Count(damaged, "note"))
	}
	return out, sqlbase.Wrap(s.explain(err), "read the notes")
}

func plain(list []tables.StoredNote) (out []record.Note) {
	for _, n := range list {
		out = append(out, n.Note)
	}
	return out
}

// AdoptNotes stores notes of another store, each once, and returns how many were new. What was
// noted here no note from elsewhere takes back.
func (s *Store) AdoptNotes(ctx context.Context, notes []record.Note) (added int, err error) {
	came := sqlbase.Stamp(s.now())
	list := make([]tables.StoredNote, len(notes))
	for i, n := range notes {
		list[i] = tables.StoredNote{Note: n, Came: came}
	}
	added, err = s.addNotes(ctx, list)
	return added, sqlbase.Wrap(err, "adopt notes")
}

// addNotes stores notes as they are said to be, but for those that are here already and those
// that may not take back what they name.
func (s *Store) addNotes(ctx context.Context, list []tables.StoredNote) (added int, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		here, _, err := tables.Notes(ctx, tx)
		if err != nil {
			return err
		}
		came := map[string]string{}
		for _, n := range here {
			came[n.ID] = n.Came
		}
		for _, n := range list {
			if err := tables.CheckNote(n.Note); err != nil {
				return err
			}
			of, known := came[n.Undoes]
			if _, there := came[n.ID]; there || n.Undoes != "" && (!known || of == "" && n.Came != "") {
				continue
			}
			if err := tables.AddNote(ctx, tx, n); err != nil {
				return err
			}
			came[n.ID] = n.Came
			added++
		}
		return nil
	})
	return added, err
}

// salvageNotes copies the notes that are whole.
func (s *Store) salvageNotes(ctx context.Context, to *Store) error {
	list, _, err := tables.Notes(ctx, s.db)
	if err != nil {
		return nil // the report of the file's problems says so
	}
	_, err = to.addNotes(ctx, list)
	return err
}

// noteProblems says which notes are not as they were stored.
func (s *Store) noteProblems(ctx context.Context) []Problem {
	if s.noteless {
		return nil // of an older version, or the table is said to be missing
	}
	_, damaged, err := tables.Notes(ctx, s.db)
	switch {
	case err != nil:
		return []Problem{s.problemOf(err, "the notes: ")}
	case damaged > 0:
		return []Problem{{What: fmt.Sprintf("%s changed since it was stored", record.Count(damaged, "note"))}}
	}
	return nil
}
