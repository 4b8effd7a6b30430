package notes

import (
	"context"
	"database/sql"
	"errors"
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
		rows, err := load(ctx, tx)
		if err != nil {
			return err
		}
		all := rows.notes()
		if !slices.ContainsFunc(all, func(n record.Note) bool { return n.ID == id }) {
			if slices.ContainsFunc(rows, func(r row) bool { return r.ID == id }) {
				return fmt.Errorf("%w: it changed since it was stored", sqlbase.ErrCorrupt)
			}
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
	rows, err := b.load(ctx)
	all := rows.notes()
	if n := rows.damaged(); err == nil && n > 0 {
		err = fmt.Errorf("%w: %s", sqlbase.ErrCorrupt, changed(n))
		if doubt := len(inDoubt(all)); doubt > 0 {
			err = fmt.Errorf("%w, and %s that may have been taken back %s not shown", err,
				record.Count(doubt, "note"), be(doubt, "is", "are"))
		}
	}
	return all, sqlbase.Wrap(err, "read the notes")
}

func be(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

func changed(n int) string {
	return record.Count(n, "note") + " changed since " + be(n, "it was", "they were") + " stored"
}

// inDoubt returns the notes that would stand but for what is damaged.
func inDoubt(all []record.Note) (out []record.Note) {
	gone := record.TakenBack(all)
	for _, n := range all {
		if n.InDoubt && n.Undoes == "" && !gone[n.ID] {
			out = append(out, n)
		}
	}
	return out
}

// DamagedNotes returns what is wrong with the notes, nil where nothing is.
func (b Book) DamagedNotes(ctx context.Context) error {
	if b.none {
		return nil
	}
	rows, err := b.load(ctx)
	if n := rows.damaged(); err == nil && n > 0 {
		return errors.New(changed(n))
	}
	return sqlbase.Wrap(err, "the notes")
}

func (b Book) load(ctx context.Context) (out ledger, err error) {
	err = b.read(ctx, func(tx *sql.Tx) error {
		out, err = load(ctx, tx)
		return err
	})
	return out, err
}

// AdoptNotes stores notes of another store, each once, and returns how many were new. What was
// noted here no note from elsewhere takes back.
func (b Book) AdoptNotes(ctx context.Context, notes []record.Note) (added int, err error) {
	came := sqlbase.Stamp(b.clock())
	err = b.write(ctx, func(tx *sql.Tx) error {
		here, err := load(ctx, tx)
		if err != nil {
			return err
		}
		there := map[string]row{}
		for _, r := range here {
			there[r.ID] = r
		}
		listed, err := index(ctx, tx) // by which a row is refused that is there already
		for _, r := range listed {
			if _, known := there[r.ID]; !known {
				there[r.ID] = r
			}
		}
		if err != nil {
			return err
		}
		for _, n := range notes {
			if err := check(n); err != nil {
				return err
			}
			n := stored{Note: n, Came: came}
			was, known := there[n.ID]
			of, ofKnown := there[n.Undoes]
			held := known && was.held(n.Note)
			if held {
				n.Came = was.Came // it is as it was
			}
			switch {
			case known && (was.whole || !was.readable):
				continue
			case n.Undoes != "" && !held && (!ofKnown || of.Came == ""):
				continue
			case known:
				err = mend(ctx, tx, was, n)
			default:
				err = add(ctx, tx, n)
			}
			if err != nil {
				return err
			}
			there[n.ID] = row{stored: n, whole: true}
			added++
		}
		return nil
	})
	return added, sqlbase.Wrap(err, "adopt notes")
}

// CopyNotes copies the notes that are whole into another store that has none, and returns what
// was not copied as it was and why. A note that a damaged row may have taken back is taken back
// there, so that the reviewer can have it back.
func (b Book) CopyNotes(ctx context.Context, to Book) (losses []error, err error) {
	if b.none {
		return b.lost(ctx)
	}
	rows, err := b.load(ctx)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		losses = append(losses, fmt.Errorf("the notes: %w", err))
	}
	if n := rows.damaged(); n > 0 {
		losses = append(losses, fmt.Errorf("%s %s not copied: %s damaged", record.Count(n, "note"),
			be(n, "was", "were"), be(n, "it is", "they are")))
	}
	doubt := inDoubt(rows.notes())
	if n := len(doubt); n > 0 {
		losses = append(losses, fmt.Errorf("%s that a damaged one may have taken back %s copied as taken back",
			record.Count(n, "note"), be(n, "was", "were")))
	}
	err = to.write(ctx, func(tx *sql.Tx) error {
		for _, r := range rows {
			if !r.whole {
				continue
			}
			if err := add(ctx, tx, r.stored); err != nil {
				return err
			}
		}
		for _, n := range doubt {
			undo := record.Note{ID: sqlbase.NewChange(), Undoes: n.ID, At: to.clock(), Who: "salvage"}
			if err := add(ctx, tx, stored{Note: undo}); err != nil {
				return err
			}
		}
		return nil
	})
	return losses, err
}

// lost is what CopyNotes returns where there is no table: a store of an older version has none.
func (b Book) lost(ctx context.Context) (losses []error, err error) {
	const since = 10 // the version of stores that first had it
	version := 0
	err = b.read(ctx, func(tx *sql.Tx) error { return tx.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&version) })
	if err == nil && version >= since {
		losses = append(losses, errors.New("no note was copied: their table is gone"))
	}
	return losses, err
}
