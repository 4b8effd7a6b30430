package notes

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"slices"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// row is a row of the table as it is.
type row struct {
	stored
	n        int64
	columns  [7]string
	digest   []byte
	whole    bool
	readable bool // false where not even its columns can be read
}

// ledger is all rows in the order in which they were stored, damaged ones too.
type ledger []row

// load returns all rows. An error comes with the rows that can be read all the same.
func load(ctx context.Context, q sqlbase.Querier) (ledger, error) {
	out, err := scan(ctx, q, `ORDER BY n`)
	seen, whole := map[int64]bool{}, map[string]bool{}
	for _, r := range out {
		seen[r.n] = true
		whole[r.ID] = whole[r.ID] || r.whole
	}
	listed, e := index(ctx, q)
	for _, r := range listed {
		if seen[r.n] || whole[r.ID] {
			continue
		}
		if found, _ := scan(ctx, q, `WHERE n = ?`, r.n); len(found) == 1 {
			r = found[0]
		}
		out = append(out, r)
	}
	if e != nil && err != nil { // how many more there were, and what they took back, nobody knows
		out = append(out, row{n: math.MaxInt64})
	}
	slices.SortStableFunc(out, func(a, b row) int { return int(min(max(a.n-b.n, -1), 1)) })
	return out, errors.Join(err, e)
}

// index lists the rows by the index of their identities, which lies on pages of its own.
func index(ctx context.Context, q sqlbase.Querier) (out ledger, err error) {
	rows, err := q.QueryContext(ctx, `SELECT n, id FROM notes ORDER BY id`)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var r row
		if err := rows.Scan(&r.n, &r.ID); err != nil {
			rows.Close()
			return out, err
		}
		out = append(out, r)
	}
	return out, sqlbase.CloseRows(rows)
}

func scan(ctx context.Context, q sqlbase.Querier, which string, args ...any) (out ledger, err error) {
	rows, err := q.QueryContext(ctx, `SELECT n, id, about, text, at, who, undoes, came, digest FROM notes `+which, args...)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		r := row{readable: true}
		var c [7]*string
		if err := rows.Scan(&r.n, &c[0], &c[1], &c[2], &c[3], &c[4], &c[5], &c[6], &r.digest); err != nil {
			rows.Close()
			return out, err
		}
		for i, s := range c {
			if s == nil {
				r.readable = false
			} else {
				r.columns[i] = *s
			}
		}
		r.Note = record.Note{ID: r.columns[0], Text: r.columns[2], Who: r.columns[4], Undoes: r.columns[5]}
		r.Came = r.columns[6]
		r.At, err = sqlbase.Unstamp(r.columns[3])
		r.whole = r.readable && err == nil &&
			(r.columns[1] == "" || json.Unmarshal([]byte(r.columns[1]), &r.About) == nil) &&
			bytes.Equal(r.digest, noteDigest(r.columns))
		out = append(out, r)
	}
	return out, sqlbase.CloseRows(rows)
}

// notes returns the rows that are whole, those marked that a damaged one may have taken back.
func (l ledger) notes() (out []record.Note) {
	doubt := l.doubt()
	for _, r := range l {
		if r.whole {
			r.InDoubt = doubt[r.ID]
			out = append(out, r.Note)
		}
	}
	return out
}

// damaged counts the rows that are not as they were stored.
func (l ledger) damaged() (n int) {
	for _, r := range l {
		if !r.whole {
			n++
		}
	}
	return n
}

// doubt returns what damaged rows may have taken back, and what depends on that. A later row
// that is whole and takes the same back settles it.
func (l ledger) doubt() map[string]bool {
	out, settled, undoes := map[string]bool{}, map[string]bool{}, map[string]string{}
	for _, r := range l {
		undoes[r.ID] = r.Undoes
	}
	mark := func(id string) {
		for id != "" && !out[id] && !settled[id] {
			out[id] = true
			id = undoes[id]
		}
	}
	for i, r := range slices.Backward(l) {
		if r.whole {
			if r.Undoes != "" {
				settled[r.Undoes] = true
			}
			continue
		}
		id, known := l.names(i)
		if known {
			mark(id)
			continue
		}
		for _, r := range l[:i] {
			mark(r.ID)
		}
		break // what an earlier one may name is among these
	}
	return out
}

// names returns what the damaged row i took back, "" where it is a note; not known where it may
// be any row before it.
func (l ledger) names(i int) (id string, known bool) {
	r := l[i]
	before := func(id string) bool {
		return slices.ContainsFunc(l[:i], func(x row) bool { return x.ID == id })
	}
	switch {
	case !r.readable:
		return "", false
	case r.Undoes == "":
		return "", r.columns[1]+r.Text != ""
	case before(r.Undoes):
		return r.Undoes, true
	}
	for _, x := range l[:i] { // where all else is as it was, the digest tells
		c := r.columns
		if c[5] = x.ID; bytes.Equal(r.digest, noteDigest(c)) {
			return x.ID, true
		}
	}
	return "", false
}
