package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Enqueue puts an alert into the queue, due at once. An alert with a known ID is not put
// in again, whatever became of the first.
func (s *Store) Enqueue(ctx context.Context, a Alert) error {
	if a.ID == "" || a.Channel == "" {
		return fmt.Errorf("queue alert: identity and channel are required")
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		now := sqlbase.Stamp(s.now())
		_, err := tx.ExecContext(ctx,
			`INSERT OR IGNORE INTO alerts (id, pass, channel, payload, made_at, due_at) VALUES (?, ?, ?, ?, ?, ?)`,
			a.ID, a.PassID, a.Channel, a.Payload, now, now)
		return err
	})
	return sqlbase.Wrap(err, "queue alert %s", a.ID)
}

// Due lists the alerts that are to be delivered now, the longest due first.
func (s *Store) Due(ctx context.Context, now time.Time) ([]Alert, error) {
	return s.alerts(ctx, `done_at = '' AND due_at <= ? ORDER BY due_at, n`, sqlbase.Stamp(now))
}

// Alerts lists the latest alerts, newest first; limit 0 is all. With open, only those
// that no person has acknowledged.
func (s *Store) Alerts(ctx context.Context, open bool, limit int) ([]Alert, error) {
	if limit <= 0 {
		limit = -1
	}
	return s.alerts(ctx, `(seen_at = '' OR NOT ?) ORDER BY n DESC LIMIT ?`, open, limit)
}

// Undelivered counts the alerts that are still to be delivered: neither arrived, nor given
// up, nor acknowledged.
func (s *Store) Undelivered(ctx context.Context) (n int, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		// by the index alerts_due
		return tx.QueryRowContext(ctx, `SELECT count(*) FROM alerts WHERE done_at = '' AND seen_at = '' AND due_at < ?`,
			tables.Never).Scan(&n)
	})
	return n, sqlbase.Wrap(err, "count the alerts")
}

func (s *Store) alerts(ctx context.Context, rest string, args ...any) (out []Alert, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx,
			`SELECT id, pass, channel, payload, made_at, due_at, attempts, error, done_at, seen_at, seen_by,
			 coalesce((SELECT p.verdict FROM pass_rows p WHERE p.id = alerts.pass), '') FROM alerts WHERE `+rest, args...)
		if err != nil {
			return err
		}
		for rows.Next() {
			a, err := tables.ScanAlert(rows)
			if err != nil {
				rows.Close()
				return err
			}
			out = append(out, a)
		}
		return sqlbase.CloseRows(rows)
	})
	return out, sqlbase.Wrap(err, "read the queue of alerts")
}

// Delivered notes that an alert has arrived.
func (s *Store) Delivered(ctx context.Context, id string) error {
	return s.changeAlert(ctx, id, `UPDATE alerts SET done_at = ?, error = '' WHERE id = ?`, sqlbase.Stamp(s.now()), id)
}

// Failed notes that a delivery failed and when to try again, the zero time for never.
func (s *Store) Failed(ctx context.Context, id string, why error, next time.Time) error {
	text := ""
	if why != nil {
		text = why.Error()
	}
	due := sqlbase.Stamp(next)
	if next.IsZero() {
		due = tables.Never
	}
	return s.changeAlert(ctx, id, `UPDATE alerts SET attempts = attempts + 1, error = ?, due_at = ? WHERE id = ?`, text,
		due, id)
}

// Acknowledge notes that a person has seen an alert.
func (s *Store) Acknowledge(ctx context.Context, id, who string) error {
	return s.changeAlert(ctx, id, `UPDATE alerts SET seen_at = ?, seen_by = ? WHERE id = ?`, sqlbase.Stamp(s.now()), who,
		id)
}

func (s *Store) changeAlert(ctx context.Context, id, query string, args ...any) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return fmt.Errorf("there is no such alert")
		}
		return nil
	})
	return sqlbase.Wrap(err, "alert %s", id)
}
