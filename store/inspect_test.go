package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// What only tests ask of a store.

// Hurried returns the options with less waiting for other programs.
func (o Options) Hurried(busy, patience time.Duration) Options {
	o.busy, o.patience = busy, patience
	return o
}

// Revision is an earlier state of a pass whose log grew after it was stored.
type Revision struct {
	Pass   record.Pass // as it stood
	Frames record.Frames
}

// Revisions returns the earlier states of a pass, oldest first; the current one is not
// among them.
func (s *Store) Revisions(ctx context.Context, id string) (out []Revision, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		rows, err := tx.QueryContext(ctx, `SELECT r.was, x.frames FROM revisions r JOIN archives x ON x.revision = r.n
			WHERE r.pass = ? AND r.was IS NOT NULL ORDER BY r.revision`, k.N)
		if err != nil {
			return err
		}
		for rows.Next() {
			r, err := scanRevision(rows)
			if err != nil {
				rows.Close()
				return err
			}
			out = append(out, r)
		}
		return sqlbase.CloseRows(rows)
	})
	return out, sqlbase.Wrap(err, "read the revisions of pass %s", id)
}

func scanRevision(rows *sql.Rows) (r Revision, err error) {
	var was, blob []byte
	if err := rows.Scan(&was, &blob); err != nil {
		return r, err
	}
	if err := json.Unmarshal(was, &r.Pass); err != nil {
		return r, fmt.Errorf("%w: an old revision: %v", ErrCorrupt, err)
	}
	r.Frames, err = tables.DecodeFrames(blob)
	return r, tables.Damaged(err)
}

// Broken is a log that could not be read.
type Broken struct {
	File FileMark
	Why  string
	At   time.Time // when it was last tried
}

// Broken lists the logs that could not be read, in order of their paths.
func (s *Store) Broken(ctx context.Context) (out []Broken, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `SELECT path, size, mtime, file_id, error, at FROM files WHERE error <> '' ORDER BY path`)
		if err != nil {
			return err
		}
		for rows.Next() {
			var b Broken
			var mtime int64
			var at string
			if err := rows.Scan(&b.File.Path, &b.File.Size, &mtime, &b.File.ID, &b.Why, &at); err != nil {
				rows.Close()
				return err
			}
			b.File.ModTime = time.Unix(0, mtime).UTC()
			if b.At, err = sqlbase.Unstamp(at); err != nil {
				rows.Close()
				return err
			}
			out = append(out, b)
		}
		return sqlbase.CloseRows(rows)
	})
	return out, sqlbase.Wrap(err, "list unreadable logs")
}

// AuditDigests has every writing transaction of a small store looked at: a pass whose
// digest fitted before it must have one that fits after it. So whatever changes a pass
// past [change] fails the test that runs it.
func AuditDigests() {
	stale := func(ctx context.Context, tx *sql.Tx) (map[string]bool, error) {
		numbers, err := sqlbase.NumbersOf(ctx, tx, `SELECT n FROM pass_rows ORDER BY n LIMIT 9`)
		if err != nil || len(numbers) > 8 {
			return nil, err
		}
		out := map[string]bool{}
		for _, n := range numbers {
			changed, err := changedGroups(ctx, tx, n)
			if err != nil {
				return nil, err
			}
			for _, g := range changed {
				out[fmt.Sprintf("pass %d: %s", n, tables.GroupNames[g])] = true
			}
		}
		return out, nil
	}
	audit = func(ctx context.Context, tx *sql.Tx, fn func() error) error {
		before, damaged := stale(ctx, tx)
		if err := fn(); err != nil || damaged != nil {
			return err
		}
		after, err := stale(ctx, tx)
		if err != nil {
			return err
		}
		for what := range after {
			if before != nil && !before[what] {
				panic("a change left a digest behind: " + what)
			}
		}
		return nil
	}
}

func changedGroups(ctx context.Context, tx *sql.Tx, n int64) (out []int, err error) {
	kept, err := tables.KeptDigests(ctx, tx, []int64{n})
	if err != nil {
		return nil, err
	}
	now, err := tables.Digests(ctx, tx, []int64{n}, tables.EveryGroup)
	for g := range tables.Groups {
		if now[n][g] != kept[n][g] {
			out = append(out, g)
		}
	}
	return out, err
}
