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
func noteColumns(n stored) ([]any, error) {
	about := ""
	if n.Undoes == "" {
		text, err := json.Marshal(n.About) // with sorted names
		if err != nil {
			return nil, err
		}
		about = string(text)
	}
	return []any{n.ID, about, n.Text, sqlbase.Stamp(n.At), n.Who, n.Undoes, n.Came}, nil
}

func noteDigest(columns []any) []byte {
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
		append(columns, noteDigest(columns))...)
	return err
}

// load returns all notes in the order in which they were stored, those that are whole, and how
// many are not.
func load(ctx context.Context, q sqlbase.Querier) (out []stored, damaged int, err error) {
	rows, err := q.QueryContext(ctx, `SELECT id, about, text, at, who, undoes, came, digest FROM notes ORDER BY n`)
	if err != nil {
		return nil, 0, err
	}
	for rows.Next() {
		var c [7]string
		var digest []byte
		if err := rows.Scan(&c[0], &c[1], &c[2], &c[3], &c[4], &c[5], &c[6], &digest); err != nil {
			rows.Close()
			return nil, 0, err
		}
		n := stored{record.Note{ID: c[0], Text: c[2], Who: c[4], Undoes: c[5]}, c[6]}
		if n.At, err = sqlbase.Unstamp(c[3]); err != nil ||
			c[1] != "" && json.Unmarshal([]byte(c[1]), &n.About) != nil ||
			!bytes.Equal(digest, noteDigest([]any{c[0], c[1], c[2], c[3], c[4], c[5], c[6]})) {
			damaged++
			continue
		}
		out = append(out, n)
	}
	return out, damaged, sqlbase.CloseRows(rows)
}
