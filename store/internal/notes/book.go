package notes

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// Book is the notes of a store.
type Book struct {
	read, write transaction
	clock       func() time.Time
	none        bool
}

type transaction = func(context.Context, func(*sql.Tx) error) error

// New opens the notes of a store by its ways to read and to write in one transaction; none says
// that there are none, in a damaged store of a version without them or that has lost them.
func New(read, write transaction, clock func() time.Time, none bool) Book {
	return Book{read, write, clock, none}
}

// Note keeps what the reviewer noted about something and returns the identity of the note, for
// UndoNote.
func (b Book) Note(ctx context.Context, about map[string]string, text, who string) (id string, err error) {
	id = sqlbase.NewChange()
	err = b.write(ctx, func(tx *sql.Tx) error {
		return add(ctx, tx, stored{Note: record.Note{ID: id, About: about, Text: text, At: b.clock(), Who: who}})
	})
	return id, sqlbase.Wrap(err, "note")
}

// UndoNote takes a note back, or the taking back of one; the error is ErrNoNote where there is
// none. It returns the identity of what it did, to be undone likewise.
func (b Book) UndoNote(ctx context.Context, id, who string) (undo string, err error) {
	undo = sqlbase.NewChange()
	err = b.write(ctx, func(tx *sql.Tx) error {
		rows, _, err := load(ctx, tx)
		if err != nil {
			return err
		}
		all := plain(rows)
		if !slices.ContainsFunc(all, func(n record.Note) bool { return n.ID == id }) {
			return fmt.Errorf("%w: %q", sqlbase.ErrNoNote, id)
		}
		if record.TakenBack(all)[id] {
			return fmt.Errorf("%s was taken back already", id)
		}
		return add(ctx, tx, stored{Note: record.Note{ID: undo, Undoes: id, At: b.clock(), Who: who}})
	})
	return undo, sqlbase.Wrap(err, "take the note back")
}

// Notes returns all notes with what took some of them back, oldest first; [record.Standing]
// tells which stand. Where some are damaged the others come with an ErrCorrupt.
func (b Book) Notes(ctx context.Context) ([]record.Note, error) {
	rows, damaged, err := b.load(ctx)
	if err == nil && damaged > 0 {
		err = fmt.Errorf("%w: %s changed since it was stored", sqlbase.ErrCorrupt, record.Count(damaged, "note"))
	}
	return plain(rows), sqlbase.Wrap(err, "read the notes")
}

// DamagedNotes returns how many notes are not as they were stored.
func (b Book) DamagedNotes(ctx context.Context) (n int, err error) {
	if !b.none {
		_, n, err = b.load(ctx)
	}
	return n, err
}

func (b Book) load(ctx context.Context) (out []stored, damaged int, err error) {
	err = b.read(ctx, func(tx *sql.Tx) error {
		out, damaged, err = load(ctx, tx)
		return err
	})
	return out, damaged, err
}

func plain(list []stored) (out []record.Note) {
	for _, n := range list {
		out = append(out, n.Note)
	}
	return out
}

// AdoptNotes stores notes of another store, each once, and returns how many were new. What was
// noted here no note from elsewhere takes back.
func (b Book) AdoptNotes(ctx context.Context, notes []record.Note) (added int, err error) {
	came := sqlbase.Stamp(b.clock())
	list := make([]stored, len(notes))
	for i, n := range notes {
		list[i] = stored{Note: n, Came: came}
	}
	added, err = b.put(ctx, list)
	return added, sqlbase.Wrap(err, "adopt notes")
}

// put stores notes as they are said to be, but for those that are here already and those that
// may not take back what they name.
func (b Book) put(ctx context.Context, list []stored) (added int, err error) {
	err = b.write(ctx, func(tx *sql.Tx) error {
		here, _, err := load(ctx, tx)
		if err != nil {
			return err
		}
		came := map[string]string{}
		for _, n := range here {
			came[n.ID] = n.Came
		}
		for _, n := range list {
			if err := check(n.Note); err != nil {
				return err
			}
			of, known := came[n.Undoes]
			if _, there := came[n.ID]; there || n.Undoes != "" && (!known || of == "" && n.Came != "") {
				continue
			}
			if err := add(ctx, tx, n); err != nil {
				return err
			}
			came[n.ID] = n.Came
			added++
		}
		return nil
	})
	return added, err
}

// CopyNotes copies the notes that are whole into another store.
func (b Book) CopyNotes(ctx context.Context, to Book) error {
	list, _, err := b.load(ctx)
	if err != nil {
		return nil // who reads the file as a whole says so
	}
	_, err = to.put(ctx, list)
	return err
}
