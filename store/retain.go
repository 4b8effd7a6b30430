package store

import (
	"context"
	"database/sql"
	"time"
)

// Retention says what may be dropped of passes that ran before a time; zero drops
// nothing. Figures, tags, findings and frame times always stay.
type Retention struct {
	LogsBefore      time.Time // kept logs
	TelemetryBefore time.Time // samples
	Keep            []string  // identities of passes that keep everything
}

// Droppable is what retention takes, or would take, of one pass with all its revisions.
type Droppable struct {
	Pass      string    `json:"pass"`
	Log       string    `json:"log"` // path at which the log lay
	At        time.Time `json:"at"`
	LogBytes  int64     `json:"log_bytes"` // compressed, as for the samples
	Telemetry int64     `json:"telemetry_bytes"`
}

// Retained is what became of a [Store.Retain].
type Retained struct {
	Passes []Droppable // oldest first
	// Passes old enough that lose nothing all the same, and why; the first that holds counts.
	// InCampaign have the tag, Kept are named by [Retention.Keep].
	InCampaign, Kept, InUse, Unfinished int
}

// protected are the reasons that the store knows why a pass p keeps everything.
const protected = `CASE WHEN p.campaign <> '' THEN 1 WHEN EXISTS (SELECT 1 FROM uses u WHERE u.pass = p.n) THEN 2
	WHEN p.state <> 'notified' THEN 3 ELSE 0 END`

// Retain finds what the rules drop and, where drop is true, drops it, each pass whole or
// not at all. A pass with the tag of a campaign, one that the rules keep, one that
// [Store.MarkUsed] knows and one that is not judged yet lose nothing.
func (s *Store) Retain(ctx context.Context, rules Retention, drop bool) (out Retained, err error) {
	var numbers []int64
	err = s.read(ctx, func(tx *sql.Tx) error {
		out, numbers, err = droppable(ctx, tx, rules)
		return err
	})
	for i := 0; drop && err == nil && i < len(numbers); i += batch {
		part := numbers[i:min(i+batch, len(numbers))]
		err = s.write(ctx, func(tx *sql.Tx) error {
			return change(ctx, tx, part, []int{groupLog, groupRetention}, func() error { return s.dropParts(ctx, tx, part, rules) })
		})
	}
	return out, wrap(err, "apply the rules of retention")
}

// droppable looks with texts of times: stamp makes "" of none, and nothing is before that.
func droppable(ctx context.Context, tx *sql.Tx, rules Retention) (out Retained, numbers []int64, err error) {
	rows, err := tx.QueryContext(ctx, `
		SELECT p.n, p.id, p.log, p.at, `+protected+`,
			sum(CASE WHEN p.at < ? THEN coalesce(length(x.log), 0) ELSE 0 END) AS logs,
			sum(CASE WHEN p.at < ? THEN coalesce(length(x.telemetry), 0) ELSE 0 END) AS samples
		FROM pass_rows p JOIN revisions r ON r.pass = p.n JOIN archives x ON x.revision = r.n
		WHERE p.at < max(?, ?) GROUP BY p.at, p.n HAVING logs + samples > 0 ORDER BY p.at, p.n`,
		stamp(rules.LogsBefore), stamp(rules.TelemetryBefore), stamp(rules.LogsBefore), stamp(rules.TelemetryBefore))
	if err != nil {
		return out, nil, err
	}
	keep := make(map[string]bool, len(rules.Keep))
	for _, id := range rules.Keep {
		keep[id] = true
	}
	for rows.Next() {
		var d Droppable
		var n int64
		var at string
		var why int
		err := rows.Scan(&n, &d.Pass, &d.Log, &at, &why, &d.LogBytes, &d.Telemetry)
		if err == nil {
			d.At, err = unstamp(at)
		}
		if err != nil {
			rows.Close()
			return out, nil, err
		}
		switch {
		case why == 1:
			out.InCampaign++
		case keep[d.Pass]:
			out.Kept++
		case why == 2:
			out.InUse++
		case why == 3:
			out.Unfinished++
		default:
			out.Passes, numbers = append(out.Passes, d), append(numbers, n)
		}
	}
	return out, numbers, closeRows(rows)
}

// dropParts asks for the protection again, since a report may have been written between.
func (s *Store) dropParts(ctx context.Context, tx *sql.Tx, numbers []int64, rules Retention) error {
	for _, x := range []struct{ part, before string }{{"log", stamp(rules.LogsBefore)}, {"telemetry", stamp(rules.TelemetryBefore)}} {
		which := `SELECT r.n FROM pass_rows p JOIN revisions r ON r.pass = p.n JOIN archives x ON x.revision = r.n
			WHERE p.n IN (SELECT value FROM json_each(?)) AND p.at < ? AND x.` + x.part + ` IS NOT NULL AND ` + protected + ` = 0`
		args := []any{jsonList(numbers), x.before}
		if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO dropped (revision, part, at) SELECT n, '`+x.part+`', ? FROM (`+which+`)`,
			append([]any{stamp(s.now())}, args...)...); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE archives SET `+x.part+` = NULL WHERE revision IN (`+which+`)`, args...); err != nil {
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
			k, err := keyOf(ctx, tx, id)
			if err != nil {
				return err
			}
			numbers = append(numbers, k.n)
		}
		return change(ctx, tx, numbers, []int{groupRetention}, func() error {
			for _, n := range numbers {
				if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO uses (pass, what, at) VALUES (?, ?, ?)`, n, what, stamp(s.now())); err != nil {
					return err
				}
			}
			return nil
		})
	})
	return wrap(err, "note the passes that %s uses", what)
}

// Dropped returns when retention took a part ("log" or "telemetry") of the current
// revision of a pass; zero where it did not.
func (s *Store) Dropped(ctx context.Context, id, part string) (at time.Time, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := keyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		var text string
		err = tx.QueryRowContext(ctx, `SELECT d.at FROM revisions r JOIN dropped d ON d.revision = r.n WHERE r.pass = ? AND r.revision = ? AND d.part = ?`,
			k.n, k.revision, part).Scan(&text)
		if noRows(err) {
			return nil
		}
		if err == nil {
			at, err = unstamp(text)
		}
		return err
	})
	return at, wrap(err, "ask what was dropped of pass %s", id)
}

// retentionNotes are what retention knows of a pass, by when: what uses it, and the parts
// that were dropped of its current revision.
type retentionNotes struct{ uses, dropped map[string]string }

func retentionOf(ctx context.Context, tx *sql.Tx, n int64) (out retentionNotes, err error) {
	if out.uses, err = texts(ctx, tx, `SELECT what, at FROM uses WHERE pass = ?`, n); err != nil {
		return out, err
	}
	out.dropped, err = texts(ctx, tx, `SELECT d.part, d.at FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision
		JOIN dropped d ON d.revision = r.n WHERE p.n = ?`, n)
	return out, err
}

func texts(ctx context.Context, tx *sql.Tx, query string, args ...any) (map[string]string, error) {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for rows.Next() {
		var key, value string
		if err := rows.Scan(&key, &value); err != nil {
			rows.Close()
			return nil, err
		}
		out[key] = value
	}
	return out, closeRows(rows)
}

// noteRetention puts the notes of a pass of another store down in this one.
func (s *Store) noteRetention(ctx context.Context, id string, notes retentionNotes) error {
	if len(notes.uses)+len(notes.dropped) == 0 {
		return nil
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		k, err := keyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return change(ctx, tx, []int64{k.n}, []int{groupRetention}, func() error {
			for what, at := range notes.uses {
				if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO uses (pass, what, at) VALUES (?, ?, ?)`, k.n, what, at); err != nil {
					return err
				}
			}
			for part, at := range notes.dropped {
				if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO dropped (revision, part, at)
					SELECT n, ?, ? FROM revisions WHERE pass = ? AND revision = ?`, part, at, k.n, k.revision); err != nil {
					return err
				}
			}
			return nil
		})
	})
}
