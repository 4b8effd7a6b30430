package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"capd.example/record"
	"capd.example/store"
)

// notesTable is the table of notes; a package without notes has none.
const notesTable = "notes"

func notesFile(f Format) string { return notesTable + "/notes." + string(f) }

var noteColumns = []column{
	{"note", text, "identity"}, {"about", text, "JSON object: levels of factors, or the campaign"},
	{"text", text, ""}, {"at", moment, ""}, {"who", text, ""},
	{"undoes", text, "the note that this row takes back"},
}

// maxNotes is how many notes a package may hold.
const maxNotes = 20_000

// notes gathers those that are about passes. A lab holds none.
type notes struct {
	all []record.Note
	of  map[string]bool // identities of notes about a pass that was met
}

func (w *writer) allNotes(ctx context.Context) (n notes, err error) {
	n.of = map[string]bool{}
	if s, has := w.store.(interface {
		Notes(context.Context) ([]record.Note, error)
	}); has {
		n.all, err = s.Notes(ctx)
	}
	if errors.Is(err, store.ErrCorrupt) { // passes are no worse for it
		w.done.NotesLeftOut, err = err, nil
	}
	n.all = slices.DeleteFunc(n.all, func(x record.Note) bool { return x.InDoubt })
	return n, err
}

func (n notes) meet(tags record.Tags) {
	for _, x := range n.all {
		if !n.of[x.ID] && x.Fits(tags.Value) {
			n.of[x.ID] = true
		}
	}
}

// met are the notes about the passes that were met, and what takes them back.
func (n notes) met() (out []record.Note) {
	for _, x := range n.all {
		if n.of[x.ID] || x.Undoes != "" && n.of[x.Undoes] {
			n.of[x.ID] = true
			out = append(out, x)
		}
	}
	return out
}

// writeNotes writes the table of notes, or takes away that of an earlier export.
func (w *writer) writeNotes() error {
	file := notesFile(w.format)
	if len(w.notes) == 0 {
		if err := w.root.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	f, err := w.create(notesTable, noteColumns)
	if err != nil {
		return err
	}
	defer f.abandon()
	for _, n := range w.notes {
		about := ""
		if n.Undoes == "" {
			text, err := json.Marshal(n.About)
			if err != nil {
				return err
			}
			about = string(text)
		}
		if err := f.row([]any{n.ID, about, n.Text, when(n.At), n.Who, n.Undoes}); err != nil {
			return err
		}
	}
	if err := f.finish(file); err != nil {
		return err
	}
	w.done.Files++
	w.done.Notes = len(record.Standing(slices.Clone(w.notes)))
	return nil
}

// readNotes takes in the notes of a package.
func readNotes(ctx context.Context, s *store.Store, root fs.FS, format Format) (int, error) {
	var list []record.Note
	err := eachRow(ctx, root, notesFile(format), format, noteColumns, func(line []byte) error {
		var row struct {
			Note, About, Text, Who, Undoes string
			At                             time.Time
		}
		if err := json.Unmarshal(line, &row); err != nil {
			return err
		}
		n := record.Note{ID: row.Note, Text: row.Text, At: row.At.UTC(), Who: row.Who, Undoes: row.Undoes}
		if row.About != "" {
			if err := json.Unmarshal([]byte(row.About), &n.About); err != nil {
				return fmt.Errorf("the column about: %w", err)
			}
		}
		if list = append(list, n); len(list) > maxNotes {
			return fmt.Errorf("more than %d notes", maxNotes)
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	return s.AdoptNotes(ctx, list)
}
