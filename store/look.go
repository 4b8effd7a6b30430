package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"time"
)

// Seen is what a look at a store tells.
type Seen struct {
	Version, Latest int       // of its schema, and the one that this program writes
	Newest          time.Time // end of the pass that ended last; zero for none
	Whole           bool      // its structure was examined to the end, and is sound
}

const (
	lookBusy    = time.Second     // how long a look waits for another program
	lookExamine = 3 * time.Second // how long it examines the structure
)

// Look says what can be told of a store without changing it: one of an earlier version stays
// as it is. The errors are those of [Open].
func Look(ctx context.Context, path string) (seen Seen, err error) {
	s := &Store{path: path, readOnly: true, busy: lookBusy, now: time.Now}
	seen, err = s.look(ctx)
	if s.db != nil {
		s.db.Close()
	}
	return seen, wrap(s.explain(err), "look at the store")
}

func (s *Store) look(ctx context.Context) (seen Seen, err error) {
	switch h, err := readHead(s.path); {
	case errors.Is(err, fs.ErrNotExist) || err == nil && h.empty:
		return seen, fmt.Errorf("%s: %w", s.path, ErrNoStore)
	case errors.Is(err, fs.ErrPermission):
		return seen, fmt.Errorf("%w: %w", ErrReadOnly, err)
	case err != nil:
		return seen, err
	}
	if err := s.connect("rw"); err != nil {
		return seen, err
	}
	if err := s.identify(ctx); err != nil {
		return seen, err
	}
	if err := s.checkSchema(ctx); err != nil {
		return seen, err
	}
	seen.Latest = latest
	if seen.Version, err = version(ctx, s.db); err != nil {
		return seen, err
	}
	// Whoever holds the store holds it against this too.
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return seen, err
	}
	tx.Rollback()
	var newest sql.NullString
	if err := s.db.QueryRowContext(ctx, "SELECT max(ended_at) FROM passes").Scan(&newest); err != nil {
		return seen, err
	}
	if seen.Newest, err = unstamp(newest.String); err != nil {
		return seen, err
	}
	seen.Whole, err = s.sound(ctx)
	return seen, err
}

// sound examines the structure of the file for a while.
func (s *Store) sound(ctx context.Context) (bool, error) {
	within, stop := context.WithTimeout(ctx, lookExamine)
	defer stop()
	var answer string
	err := s.db.QueryRowContext(within, "PRAGMA quick_check(1)").Scan(&answer)
	switch {
	case within.Err() != nil && ctx.Err() == nil:
		return false, nil
	case err != nil:
		return false, err
	case answer != "ok":
		return false, explained{errors.Join(ErrCorrupt, errors.New(answer))}
	}
	return true, nil
}
