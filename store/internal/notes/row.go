// Package notes keeps the notes of the reviewer in a store: one row each, never changed.
package notes

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// Limits of a note, so that none from elsewhere fills the memory or a page.
const (
	noteBytes = 4000
	notePlace = 16
	noteWord  = 300
)

// check refuses what no command makes.
func check(n record.Note) error {
	switch {
	case len(n.ID) != 12 || !sqlbase.IsHex(n.ID):
		return fmt.Errorf("%.40q is no identity of a note", n.ID)
	case n.At.Year() < 1 || n.At.Year() > 9999:
		return errors.New("a note has no time")
	case len(n.Who) > noteWord || len(n.Undoes) > noteWord:
		return errors.New("a name in a note is too long")
	case n.Undoes != "":
		if n.Text != "" || len(n.About) > 0 {
			return errors.New("what takes a note back has a text of its own")
		}
		return nil
	case strings.TrimSpace(n.Text) == "":
		return errors.New("a note needs a text")
	case len(n.Text) > noteBytes:
		return fmt.Errorf("the text of a note has %d bytes; %d is the most", len(n.Text), noteBytes)
	case len(n.About) == 0 || len(n.About) > notePlace:
		return fmt.Errorf("a note is about 1 to %d levels, such as gpu=NAME", notePlace)
	}
	for name, v := range n.About {
		if name == "" || v == "" || len(name) > noteWord || len(v) > noteWord {
			return fmt.Errorf("%.40q=%.40q is nothing that a note can be about", name, v)
		}
	}
	return nil
}

// stored is a note, and when it came with a package; "" for one that was given here.
type stored struct {
	record.Note
	Came string
}

// noteColumns are the guarded columns of a note.
func noteColumns(n stored) (c [7]string, err error) {
	about := ""
	if n.Undoes == "" {
		text, err := json.Marshal(n.About) // with sorted names
		if err != nil {
			return c, err
		}
		about = string(text)
	}
	return [7]string{n.ID, about, n.Text, sqlbase.Stamp(n.At), n.Who, n.Undoes, n.Came}, nil
}

func noteDigest(columns [7]string) []byte {
	h := sha256.New()
	for _, c := range columns {
		fmt.Fprintf(h, "%q\n", c)
	}
	return h.Sum(nil)[:8]
}

// add stores a note.
func add(ctx context.Context, tx *sql.Tx, n stored) error {
	if err := check(n.Note); err != nil {
		return err
	}
	columns, err := noteColumns(n)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO notes (id, about, text, at, who, undoes, came, digest) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
		append(values(columns[:]), noteDigest(columns))...)
	return err
}

func values(columns []string) (out []any) {
	for _, c := range columns {
		out = append(out, c)
	}
	return out
}

// held reports whether a damaged row held this note, by what is left of it or by its digest.
func (r row) held(n record.Note) bool {
	c, err := noteColumns(stored{n, r.Came})
	return err == nil && (c == r.columns || bytes.Equal(noteDigest(c), r.digest))
}

// mend puts a note in the place of its damaged row.
func mend(ctx context.Context, tx *sql.Tx, was row, n stored) error {
	columns, err := noteColumns(n)
	if err != nil {
		return err
	}
	// The identity stays: the index of a damaged file may lack it.
	_, err = tx.ExecContext(ctx, `UPDATE notes SET about = ?, text = ?, at = ?, who = ?, undoes = ?, came = ?, digest = ? WHERE n = ?`,
		append(values(columns[1:]), noteDigest(columns), was.n)...)
	return err
}
