package tables

import (
	"context"
	"database/sql"
)

// BrokenText is why a log could not be read, as it is remembered.
func BrokenText(why error) string {
	if why != nil && why.Error() != "" {
		return why.Error()
	}
	return "cannot be read"
}

// SetSetting stores a value under a key.
func SetSetting(ctx context.Context, tx *sql.Tx, key, value string) error {
	_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO settings (key, value) VALUES (?, ?)`, key, value)
	return err
}
