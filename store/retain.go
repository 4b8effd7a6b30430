package store

import (
	"context"
	"database/sql"
	"time"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Retain finds what the rules drop and, where drop is true, drops it, each pass whole or
// not at all. A pass with the tag of a campaign, one that the rules keep, one that
// [Store.MarkUsed] knows and one that is not judged yet lose nothing.
func (s *Store) Retain(ctx context.Context, rules Retention, drop bool) (out Retained, err error) {
	var numbers []int64
	err = s.read(ctx, func(tx *sql.Tx) error {
		out, numbers, err = tables.DroppablePasses(ctx, tx, rules)
		return err
	})
	for i := 0; drop && err == nil && i < len(numbers); i += tables.Batch {
		part := numbers[i:min(i+tables.Batch, len(numbers))]
		err = s.write(ctx, func(tx *sql.Tx) error {
			return tables.ChangeSealed(ctx, tx, part, []int{tables.GroupLog, tables.GroupRetention},
				func() error { return s.dropParts(ctx, tx, part, rules) })
		})
	}
	return out, sqlbase.Wrap(err, "apply the rules of retention")
}

// dropParts asks for the protection again, since a report may have been written between.
func (s *Store) dropParts(ctx context.Context, tx *sql.Tx, numbers []int64, rules Retention) error {
	for _, x := range []struct{ part, before string }{{"log", sqlbase.Stamp(rules.LogsBefore)},
		{"telemetry", sqlbase.Stamp(rules.TelemetryBefore)}} {
		which := `SELECT r.n FROM pass_rows p JOIN revisions r ON r.pass = p.n JOIN archives x ON x.revision = r.n
			WHERE p.n IN (SELECT value FROM json_each(?)) AND p.at < ? AND x.` + x.part + ` IS NOT NULL AND ` + tables.Protected + ` = 0`
		args := []any{sqlbase.JSONList(numbers), x.before}
		if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO dropped (revision, part, at) SELECT n, '`+x.part+
			`', ? FROM (`+which+`)`,
			append([]any{sqlbase.Stamp(s.now())}, args...)...); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE archives SET `+x.part+` = NULL WHERE revision IN (`+which+`)`,
			args...); err != nil {
			return err
		}
	}
	return nil
}

// MarkUsed notes that passes stand in something published, such as the folder of a
// report, so that retention leaves them whole. A mark is never taken back: what was
// published stays published.
func (s *Store) MarkUsed(ctx context.Context, ids []string, what string) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		var numbers []int64
		for _, id := range ids {
			k, err := tables.KeyOf(ctx, tx, id)
			if err != nil {
				return err
			}
			numbers = append(numbers, k.N)
		}
		return tables.ChangeSealed(ctx, tx, numbers, []int{tables.GroupRetention}, func() error {
			for _, n := range numbers {
				if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO uses (pass, what, at) VALUES (?, ?, ?)`, n, what,
					sqlbase.Stamp(s.now())); err != nil {
					return err
				}
			}
			return nil
		})
	})
	return sqlbase.Wrap(err, "note the passes that %s uses", what)
}

// Dropped returns when retention took a part ("log" or "telemetry") of the current
// revision of a pass; zero where it did not.
func (s *Store) Dropped(ctx context.Context, id, part string) (at time.Time, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		var text string
		err = tx.QueryRowContext(ctx,
			`SELECT d.at FROM revisions r JOIN dropped d ON d.revision = r.n WHERE r.pass = ? AND r.revision = ? AND d.part = ?`,
			k.N, k.Revision, part).Scan(&text)
		if sqlbase.NoRows(err) {
			return nil
		}
		if err == nil {
			at, err = sqlbase.Unstamp(text)
		}
		return err
	})
	return at, sqlbase.Wrap(err, "ask what was dropped of pass %s", id)
}

// noteRetention puts the notes of a pass of another store down in this one.
func (s *Store) noteRetention(ctx context.Context, id string, notes tables.RetentionNotes) error {
	if len(notes.Uses)+len(notes.Dropped) == 0 {
		return nil
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return tables.ChangeSealed(ctx, tx, []int64{k.N}, []int{tables.GroupRetention}, func() error {
			for what, at := range notes.Uses {
				if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO uses (pass, what, at) VALUES (?, ?, ?)`, k.N, what,
					at); err != nil {
					return err
				}
			}
			for part, at := range notes.Dropped {
				if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO dropped (revision, part, at)
					SELECT n, ?, ? FROM revisions WHERE pass = ? AND revision = ?`, part, at, k.N, k.Revision); err != nil {
					return err
				}
			}
			return nil
		})
	})
}
