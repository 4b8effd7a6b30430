package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Alert is one message to one channel in the queue that survives a crash.
type Alert struct {
	ID       string    `json:"id"` // unique; the receiver can tell a repetition by it
	PassID   string    `json:"pass,omitempty"`
	Channel  string    `json:"channel"`
	Payload  []byte    `json:"payload,omitempty"`
	MadeAt   time.Time `json:"made_at"`
	DueAt    time.Time `json:"due_at,omitzero"` // when delivery is tried next; zero: it is given up
	Attempts int       `json:"attempts"`        // deliveries that failed
	Error    string    `json:"error,omitempty"`
	DoneAt   time.Time `json:"done_at,omitzero"` // delivered
	SeenAt   time.Time `json:"seen_at,omitzero"` // acknowledged by a person
	SeenBy   string    `json:"seen_by,omitempty"`
}

// Enqueue puts an alert into the queue, due at once. An alert with a known ID is not put
// in again, whatever became of the first.
func (s *Store) Enqueue(ctx context.Context, a Alert) error {
	if a.ID == "" || a.Channel == "" {
		return fmt.Errorf("queue alert: identity and channel are required")
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		now := stamp(s.now())
		_, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO alerts (id, pass, channel, payload, made_at, due_at) VALUES (?, ?, ?, ?, ?, ?)`,
			a.ID, a.PassID, a.Channel, a.Payload, now, now)
		return err
	})
	return wrap(err, "queue alert %s", a.ID)
}

// Due lists the alerts that are to be delivered now, the longest due first.
func (s *Store) Due(ctx context.Context, now time.Time) ([]Alert, error) {
	return s.alerts(ctx, `done_at = '' AND due_at <= ? ORDER BY due_at, n`, stamp(now))
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
		return tx.QueryRowContext(ctx, `SELECT count(*) FROM alerts WHERE done_at = '' AND seen_at = '' AND due_at < ?`, never).Scan(&n) // by the index alerts_due
	})
	return n, wrap(err, "count the alerts")
}

func (s *Store) alerts(ctx context.Context, rest string, args ...any) (out []Alert, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `SELECT id, pass, channel, payload, made_at, due_at, attempts, error, done_at, seen_at, seen_by FROM alerts WHERE `+rest, args...)
		if err != nil {
			return err
		}
		for rows.Next() {
			a, err := scanAlert(rows)
			if err != nil {
				rows.Close()
				return err
			}
			out = append(out, a)
		}
		return closeRows(rows)
	})
	return out, wrap(err, "read the queue of alerts")
}

func scanAlert(rows *sql.Rows) (a Alert, err error) {
	var at [4]string
	if err := rows.Scan(&a.ID, &a.PassID, &a.Channel, &a.Payload, &at[0], &at[1], &a.Attempts, &a.Error, &at[2], &at[3], &a.SeenBy); err != nil {
		return a, err
	}
	if at[1] >= never {
		at[1] = ""
	}
	for i, to := range []*time.Time{&a.MadeAt, &a.DueAt, &a.DoneAt, &a.SeenAt} {
		if *to, err = unstamp(at[i]); err != nil {
			return a, err
		}
	}
	return a, nil
}

// Delivered notes that an alert has arrived.
func (s *Store) Delivered(ctx context.Context, id string) error {
	return s.changeAlert(ctx, id, `UPDATE alerts SET done_at = ?, error = '' WHERE id = ?`, stamp(s.now()), id)
}

// never is the time at which an alert is due that is given up, and earlier than what older
// programs wrote for such: a hundred years from then.
const never = "2100-01-01T00:00:00.000000Z"

// Failed notes that a delivery failed and when to try again, the zero time for never.
func (s *Store) Failed(ctx context.Context, id string, why error, next time.Time) error {
	text := ""
	if why != nil {
		text = why.Error()
	}
	due := stamp(next)
	if next.IsZero() {
		due = never
	}
	return s.changeAlert(ctx, id, `UPDATE alerts SET attempts = attempts + 1, error = ?, due_at = ? WHERE id = ?`, text, due, id)
}

// Acknowledge notes that a person has seen an alert.
func (s *Store) Acknowledge(ctx context.Context, id, who string) error {
	return s.changeAlert(ctx, id, `UPDATE alerts SET seen_at = ?, seen_by = ? WHERE id = ?`, stamp(s.now()), who, id)
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
	return wrap(err, "alert %s", id)
}
