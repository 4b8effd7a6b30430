// Package look says what can be told of a store without changing it: one of an earlier version
// stays as it is.
package look

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"capd.example/store/internal/schema"
	"capd.example/store/internal/sqlbase"
)

// Seen is what a look at a store tells.
type Seen struct {
	Version, Latest int       // of its schema, and the one that this program writes
	Newest          time.Time // end of the pass that ended last; zero for none
	Whole           bool      // its structure was examined to the end, and is sound
}

const (
	patience = time.Second     // how long a look waits for another program
	examine  = 3 * time.Second // how long it examines the structure
)

// At looks at the store at path. The errors are those of store.Open.
func At(ctx context.Context, path string) (seen Seen, err error) {
	if err := sqlbase.Regular(path); err != nil {
		return seen, err
	}
	switch h, err := schema.ReadHead(path); {
	case errors.Is(err, fs.ErrNotExist) || err == nil && h.Size == 0:
		return seen, fmt.Errorf("%s: %w", path, sqlbase.ErrNoStore)
	case errors.Is(err, fs.ErrPermission):
		return seen, fmt.Errorf("%w: %w", sqlbase.ErrReadOnly, err)
	case err != nil:
		return seen, err
	case h.Foreign() && !journaled(path):
		return seen, fmt.Errorf("%s: %w", path, sqlbase.ErrNotOurs)
	}
	db, err := sql.Open("sqlite", sqlbase.DSN(path, "rw", sqlbase.BusyPragma(patience), "trusted_schema(0)"))
	if err != nil {
		return seen, err
	}
	defer db.Close()
	seen, err = at(ctx, db)
	return seen, sqlbase.Explain(path, err)
}

// journaled reports whether what was written last stands beside the file: of a store that an
// agent has just made that is all of it, until it is first moved into the file.
func journaled(path string) bool {
	info, err := os.Lstat(path + "-wal")
	return err == nil && info.Size() > 0
}

func at(ctx context.Context, db *sql.DB) (seen Seen, err error) {
	seen.Latest = schema.Latest
	var id uint32
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return seen, err
	}
	if id != schema.ApplicationID {
		return seen, sqlbase.ErrNotOurs
	}
	if err := schema.CheckSchema(ctx, db); err != nil {
		if altered := (*schema.AlteredError)(nil); errors.As(err, &altered) {
			err = fmt.Errorf("%w: %w", sqlbase.ErrCorrupt, err)
		}
		return seen, err
	}
	if seen.Version, err = schema.Version(ctx, db); err != nil {
		return seen, err
	}
	// Whoever holds the store holds it against this too.
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return seen, err
	}
	tx.Rollback()
	var newest sql.NullString
	if err := db.QueryRowContext(ctx, "SELECT max(ended_at) FROM passes").Scan(&newest); err != nil {
		return seen, err
	}
	if seen.Newest, err = sqlbase.Unstamp(newest.String); err != nil {
		return seen, err
	}
	seen.Whole, err = sound(ctx, db)
	return seen, err
}

// sound examines the structure of the file for a while.
func sound(ctx context.Context, db *sql.DB) (bool, error) {
	within, stop := context.WithTimeout(ctx, examine)
	defer stop()
	var answer string
	err := db.QueryRowContext(within, "PRAGMA quick_check(1)").Scan(&answer)
	switch {
	case within.Err() != nil && ctx.Err() == nil:
		return false, nil
	case err != nil:
		return false, err
	case answer != "ok":
		return false, fmt.Errorf("%w: %s", sqlbase.ErrCorrupt, answer)
	}
	return true, nil
}
