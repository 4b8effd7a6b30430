package store

import (
	"context"
	"database/sql"
	"fmt"
	"os"

	"capd.example/store/internal/schema"
	"capd.example/store/internal/sqlbase"
)

// Backup writes a whole and compact copy of the store to a new file while the store is in
// use. The copy appears under its name only when it is complete and on the disk.
func (s *Store) Backup(ctx context.Context, to string) error {
	part, err := schema.NewPart(to)
	if err == nil {
		if err = s.copyTo(ctx, part); err == nil {
			err = schema.FinishPart(part, to)
		}
		if err != nil {
			schema.RemoveStore(part)
		}
	}
	return sqlbase.Wrap(err, "back up the store")
}

func (s *Store) copyTo(ctx context.Context, part string) error {
	if err := s.copyAsIs(ctx, part); err != nil {
		return err
	}
	// What cannot be opened again is no backup.
	copied, err := Open(ctx, part, Options{ReadOnly: true})
	if err != nil {
		return err
	}
	return copied.Close()
}

// copyAsIs copies the store into a new file, of whatever version it is.
func (s *Store) copyAsIs(ctx context.Context, to string) error {
	if err := schema.MakeEmpty(to); err != nil {
		return err
	}
	// A connection of its own, since query_only would forbid the copying as well.
	db, err := sql.Open("sqlite", sqlbase.DSN(s.path, "ro", sqlbase.BusyPragma(s.busy)))
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", to); err != nil {
		return fmt.Errorf("copy to %s: %w", to, s.explain(err))
	}
	return nil
}

// Compact gives unused space back to the disk. It needs free space for a second copy
// while it works and holds writers off.
func (s *Store) Compact(ctx context.Context) (before, after int64, err error) {
	size := func() int64 {
		var n int64
		for _, suffix := range []string{"", "-wal"} {
			if info, err := os.Stat(s.path + suffix); err == nil {
				n += info.Size()
			}
		}
		return n
	}
	before = size()
	for _, step := range []string{"VACUUM", "PRAGMA wal_checkpoint(TRUNCATE)", "PRAGMA optimize"} {
		if _, err := s.db.ExecContext(ctx, step); err != nil {
			return before, size(), fmt.Errorf("compact the store: %w", s.explain(err))
		}
	}
	return before, size(), nil
}
