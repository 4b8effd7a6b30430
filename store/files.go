package store

import (
	"context"
	"database/sql"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// KnownFile reports whether the file was stored before and has not changed since as far
// as its size, time and identity tell, so that its bytes need not be hashed again.
func (s *Store) KnownFile(ctx context.Context, f FileMark) (known bool, err error) {
	err = s.db.QueryRowContext(ctx, `
		SELECT count(*) FROM files WHERE path = ? AND size = ? AND mtime = ? AND error = '' AND (file_id = ? OR file_id = '' OR ? = '')`,
		f.Path, f.Size, f.ModTime.UnixNano(), f.ID, f.ID).Scan(&known)
	return known, sqlbase.Wrap(s.explain(err), "look up %s", f.Path)
}

// KnownBroken reports whether the same file was noted before as one that cannot be read for
// that reason and has not changed.
func (s *Store) KnownBroken(ctx context.Context, f FileMark, why error) (known bool, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT count(*) FROM files WHERE path = ? AND size = ? AND mtime = ? AND error = ?`,
		f.Path, f.Size, f.ModTime.UnixNano(), tables.BrokenText(why)).Scan(&known)
	return known, sqlbase.Wrap(s.explain(err), "look whether %s was noted as unreadable", f.Path)
}

// RememberBroken notes a log that could not be read; known is true when the same file was
// noted before with the same reason and has not changed, so that nobody needs to be told
// again.
func (s *Store) RememberBroken(ctx context.Context, f FileMark, why error) (known bool, err error) {
	text := tables.BrokenText(why)
	err = s.write(ctx, func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, `SELECT count(*) FROM files WHERE path = ? AND size = ? AND mtime = ? AND error = ?`,
			f.Path, f.Size, f.ModTime.UnixNano(), text).Scan(&known)
		if err != nil {
			return err
		}
		return s.remember(ctx, tx, f, "", text)
	})
	return known, sqlbase.Wrap(err, "note that %s cannot be read", f.Path)
}

func (s *Store) remember(ctx context.Context, tx *sql.Tx, f FileMark, sha, text string) error {
	if f.Path == "" {
		return nil
	}
	_, err := tx.ExecContext(ctx,
		`INSERT OR REPLACE INTO files (path, size, mtime, file_id, sha256, error, at) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		f.Path, f.Size, f.ModTime.UnixNano(), f.ID, sha, text, sqlbase.Stamp(s.now()))
	return err
}

// Setting returns the value kept under key; ok is false where there is none.
func (s *Store) Setting(ctx context.Context, key string) (value string, ok bool, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT value FROM settings WHERE key = ?`, key).Scan(&value)
	if sqlbase.NoRows(err) {
		return "", false, nil
	}
	return value, err == nil, sqlbase.Wrap(s.explain(err), "read setting %s", key)
}

// SetSetting keeps value under key.
func (s *Store) SetSetting(ctx context.Context, key, value string) error {
	err := s.write(ctx, func(tx *sql.Tx) error { return tables.SetSetting(ctx, tx, key, value) })
	return sqlbase.Wrap(err, "keep setting %s", key)
}

// ChangeSetting keeps what change makes of the value under key, "" for none, in one step: what
// another program keeps there meanwhile is not lost. Its error leaves the value as it is.
func (s *Store) ChangeSetting(ctx context.Context, key string, change func(value string) (string, error)) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		var value string
		err := tx.QueryRowContext(ctx, `SELECT value FROM settings WHERE key = ?`, key).Scan(&value)
		if err != nil && !sqlbase.NoRows(err) {
			return err
		}
		if value, err = change(value); err != nil {
			return err
		}
		return tables.SetSetting(ctx, tx, key, value)
	})
	return sqlbase.Wrap(err, "change setting %s", key)
}
