package store_test

import (
	"database/sql"
	"testing"

	_ "modernc.org/sqlite"
)

// rawOpen opens a database behind the store's back.
func rawOpen(t testing.TB, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

// execute changes a database behind the store's back.
func execute(t testing.TB, path, script string) {
	t.Helper()
	db := rawOpen(t, path)
	defer db.Close()
	if _, err := db.Exec(script); err != nil {
		t.Fatal(err)
	}
}
