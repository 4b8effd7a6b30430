package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"maps"
	"time"

	"capd.example/store/internal/sqlbase"
)

// HoldFor is how long a program keeps the passes that are to be judged again to itself
// without a new word of it: longer than one pass takes, and soon enough after it was killed.
const HoldFor = 30 * time.Second

const holdsKey = "judging.held"

// Hold says that the program named by who judges again what is put back from now on, for
// [HoldFor]; see Held of [Unfinished]. Said again, it counts from then.
func (s *Store) Hold(ctx context.Context, who string) error {
	return sqlbase.Wrap(s.hold(ctx, who, s.now().Add(HoldFor)), "keep the passes that are to be judged again")
}

// Release ends what [Store.Hold] began.
func (s *Store) Release(ctx context.Context, who string) error {
	return sqlbase.Wrap(s.hold(ctx, who, time.Time{}), "give back the passes that are to be judged again")
}

func (s *Store) hold(ctx context.Context, who string, until time.Time) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		all, err := s.holds(ctx, tx)
		if err != nil {
			return err
		}
		delete(all, who)
		if !until.IsZero() {
			all[who] = until.UTC()
		}
		text, err := json.Marshal(all)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT OR REPLACE INTO settings (key, value) VALUES (?, ?)`, holdsKey, string(text))
		return err
	})
}

// holds are those in force: who and until when. What ended, or was said by a clock that was
// set back since, is none.
func (s *Store) holds(ctx context.Context, tx *sql.Tx) (map[string]time.Time, error) {
	all := map[string]time.Time{}
	var text string
	err := tx.QueryRowContext(ctx, `SELECT value FROM settings WHERE key = ?`, holdsKey).Scan(&text)
	if sqlbase.NoRows(err) {
		return all, nil
	}
	if err != nil {
		return nil, err
	}
	if json.Unmarshal([]byte(text), &all) != nil { // rubbish is none
		return map[string]time.Time{}, nil
	}
	now := s.now()
	maps.DeleteFunc(all, func(_ string, until time.Time) bool {
		return !now.Before(until) ||
			until.After(now.Add(HoldFor))
	})
	return all, nil
}
