package store_test

import (
	"database/sql"
	"testing"

	_ "modernc.org/sqlite"
)

// execute changes a database behind the store's back.
func execute(t testing.TB, path, script string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(script); err != nil {
		t.Fatal(err)
	}
}
