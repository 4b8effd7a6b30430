package store

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
)

//go:embed migrations/*.sql
var migrations embed.FS

// latest is the version that this program reads and writes; migrations/NNN.sql leads to
// version NNN.
const latest = 7

func version(ctx context.Context, q interface {
	QueryRowContext(context.Context, string, ...any) *sql.Row
}) (v int, err error) {
	if err := q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&v); err != nil {
		return 0, err
	}
	if v > latest {
		return v, fmt.Errorf("%w (its version is %d, this program knows %d): update this program", ErrNewer, v, latest)
	}
	return v, nil
}

// migrate brings the store up to date, each step in a transaction of its own, so that a
// crash leaves a whole older version. Two programs that start at once wait for each
// other.
func migrate(ctx context.Context, db *sql.DB) error {
	for {
		v, err := version(ctx, db)
		if err != nil || v == latest {
			return err
		}
		if err := step(ctx, db, v+1); err != nil {
			return fmt.Errorf("bring the store to version %d: %w", v+1, err)
		}
	}
}

func step(ctx context.Context, db *sql.DB, to int) error {
	script, err := migrations.ReadFile(fmt.Sprintf("migrations/%03d.sql", to))
	if err != nil {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if v, err := version(ctx, tx); err != nil || v >= to {
		return err // another program was faster
	}
	if _, err := tx.ExecContext(ctx, string(script)); err != nil {
		return err
	}
	if err := checkKeys(ctx, tx); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version=%d; PRAGMA application_id=%d", to, applicationID)); err != nil {
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
		return fmt.Errorf("%w: a row refers to one that is missing", ErrCorrupt)
	}
	return rows.Err()
}
