package store

import (
	"context"
	"database/sql"
)

// KnownFile reports whether the file was stored before and has not changed since as far
// as its size, time and identity tell, so that its bytes need not be hashed again.
func (s *Store) KnownFile(ctx context.Context, f FileMark) (known bool, err error) {
	err = s.db.QueryRowContext(ctx, `
		SELECT count(*) FROM files WHERE path = ? AND size = ? AND mtime = ? AND error = '' AND (file_id = ? OR file_id = '' OR ? = '')`,
		f.Path, f.Size, f.ModTime.UnixNano(), f.ID, f.ID).Scan(&known)
	return known, wrap(s.explain(err), "look up %s", f.Path)
}

// KnownBroken reports whether the same file was noted before as one that cannot be read for
// that reason and has not changed.
func (s *Store) KnownBroken(ctx context.Context, f FileMark, why error) (known bool, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT count(*) FROM files WHERE path = ? AND size = ? AND mtime = ? AND error = ?`,
		f.Path, f.Size, f.ModTime.UnixNano(), brokenText(why)).Scan(&known)
	return known, wrap(s.explain(err), "look whether %s was noted as unreadable", f.Path)
}

func brokenText(why error) string {
	if why != nil && why.Error() != "" {
		return why.Error()
	}
	return "cannot be read"
}

// RememberBroken notes a log that could not be read; known is true when the same file was
// noted before with the same reason and has not changed, so that nobody needs to be told
// again.
func (s *Store) RememberBroken(ctx context.Context, f FileMark, why error) (known bool, err error) {
	text := brokenText(why)
	err = s.write(ctx, func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, `SELECT count(*) FROM files WHERE path = ? AND size = ? AND mtime = ? AND error = ?`,
			f.Path, f.Size, f.ModTime.UnixNano(), text).Scan(&known)
		if err != nil {
			return err
		}
		return s.remember(ctx, tx, f, "", text)
	})
	return known, wrap(err, "note that %s cannot be read", f.Path)
}

func (s *Store) remember(ctx context.Context, tx *sql.Tx, f FileMark, sha, text string) error {
	if f.Path == "" {
		return nil
	}
	_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO files (path, size, mtime, file_id, sha256, error, at) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		f.Path, f.Size, f.ModTime.UnixNano(), f.ID, sha, text, stamp(s.now()))
	return err
}

// Setting returns the value kept under key; ok is false where there is none.
func (s *Store) Setting(ctx context.Context, key string) (value string, ok bool, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT value FROM settings WHERE key = ?`, key).Scan(&value)
	if noRows(err) {
		return "", false, nil
	}
	return value, err == nil, wrap(s.explain(err), "read setting %s", key)
}

// SetSetting keeps value under key.
func (s *Store) SetSetting(ctx context.Context, key, value string) error {
	err := s.write(ctx, func(tx *sql.Tx) error { return setSetting(ctx, tx, key, value) })
	return wrap(err, "keep setting %s", key)
}

func setSetting(ctx context.Context, tx *sql.Tx, key, value string) error {
	_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO settings (key, value) VALUES (?, ?)`, key, value)
	return err
}
