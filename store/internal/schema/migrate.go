package schema

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/migrations"
)

// Latest is the version that this program reads and writes; migrations/NNN.sql leads to
// version NNN.
const Latest = 10

// Fills are steps that a script cannot take: they run after the script that leads to their
// version, in its transaction.
type Fills map[int]func(context.Context, *sql.Tx) error

// Version returns the version of a store; a newer one than this program knows is refused.
func Version(ctx context.Context, q interface {
	QueryRowContext(context.Context, string, ...any) *sql.Row
}) (v int, err error) {
	if err := q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&v); err != nil {
		return 0, err
	}
	if v > Latest {
		return v, fmt.Errorf("%w (its version is %d, this program knows %d): update this program", sqlbase.ErrNewer, v,
			Latest)
	}
	return v, nil
}

// Migrate brings the store up to date, each step in a transaction of its own, so that a
// crash leaves a whole older version. A step over a large store takes longer than a writer
// waits for another, so a second program that starts meanwhile asks again, for as long as
// patience says.
func Migrate(ctx context.Context, db *sql.DB, patience time.Duration, fills Fills) error {
	end := time.Now().Add(patience)
	for {
		v, err := Version(ctx, db)
		if err != nil || v == Latest {
			return err
		}
		err = step(ctx, db, v+1, fills)
		if busy(err) && time.Now().Before(end) {
			err = pause(ctx, 50*time.Millisecond)
		}
		if err != nil {
			return fmt.Errorf("bring the store to version %d: %w", v+1, err)
		}
	}
}

// busy reports whether another program held the store for longer than the database waits
// by itself.
func busy(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == lib.SQLITE_BUSY
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

func step(ctx context.Context, db *sql.DB, to int, fills Fills) error {
	script, err := migrations.Files.ReadFile(fmt.Sprintf("%03d.sql", to))
	if err != nil {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if v, err := Version(ctx, tx); err != nil || v >= to {
		return err // another program was faster
	}
	if _, err := tx.ExecContext(ctx, string(script)); err != nil {
		return err
	}
	if fill := fills[to]; fill != nil {
		if err := fill(ctx, tx); err != nil {
			return err
		}
	}
	if err := checkKeys(ctx, tx); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version=%d; PRAGMA application_id=%d", to,
		ApplicationID)); err != nil {
		return err
	}
	return tx.Commit()
}

func checkKeys(ctx context.Context, tx *sql.Tx) error {
	rows, err := tx.QueryContext(ctx, "PRAGMA foreign_key_check")
	if err != nil {
		return err
	}
	defer rows.Close()
	if rows.Next() {
		return fmt.Errorf("%w: a row refers to one that is missing", sqlbase.ErrCorrupt)
	}
	return rows.Err()
}
