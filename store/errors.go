package store

import (
	"capd.example/store/internal/sqlbase"
)

// explain puts the sentinel that fits in front of an error of the database, with the
// file's name and advice, once.
func (s *Store) explain(err error) error { return sqlbase.Explain(s.path, err) }
