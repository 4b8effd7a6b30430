package prepared

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"
)

func open(t testing.TB) *sql.DB {
	t.Helper()
	db, err := Open("file:" + filepath.ToSlash(filepath.Join(t.TempDir(), "x.db")))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	db.SetMaxOpenConns(1)
	do(t, db, "CREATE TABLE n (i INTEGER UNIQUE, t TEXT)")
	for i := range 10 {
		do(t, db, "INSERT INTO n VALUES (?, ?)", i, fmt.Sprint("t", i))
	}
	return db
}

type runner interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func do(t testing.TB, db runner, text string, args ...any) {
	t.Helper()
	if _, err := db.ExecContext(t.Context(), text, args...); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
}

func texts(t testing.TB, db runner, query string, args ...any) (out []string) {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), query, args...)
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

func statements(t testing.TB, db *sql.DB) (n int) {
	t.Helper()
	c, err := db.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := c.Raw(func(c any) error { n = len(c.(*conn).known); return nil }); err != nil {
		t.Fatal(err)
	}
	return n
}

// Values of one run are not those of the next, fewer rows than there are may be read, and the
// same query may run within itself.
func TestSameStatementAgain(t *testing.T) {
	db := open(t)
	const query = "SELECT t FROM n WHERE i >= ? AND i < ? ORDER BY i"
	for range 3 {
		if got := fmt.Sprint(texts(t, db, query, 2, 5)); got != "[t2 t3 t4]" {
			t.Error(got)
		}
		if got := texts(t, db, query, 100, 200); got != nil {
			t.Error(got)
		}
		var first string
		if err := db.QueryRow(query, 7, 9).Scan(&first); err != nil || first != "t7" {
			t.Error(first, err)
		}
	}
	if n := statements(t, db); n != 2 { // and the INSERT
		t.Errorf("%d statements are kept", n)
	}
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	outer, err := tx.Query(query, 0, 3)
	if err != nil {
		t.Fatal(err)
	}
	defer outer.Close()
	n := 0
	for outer.Next() {
		var s string
		if err := outer.Scan(&s); err != nil || s != fmt.Sprint("t", n) {
			t.Error(s, err)
		}
		if got := fmt.Sprint(texts(t, tx, query, 8, 10)); got != "[t8 t9]" {
			t.Error(got)
		}
		n++
	}
	if n != 3 {
		t.Errorf("%d rows", n)
	}
}

// A statement that failed leaves nothing behind, and tables may change under those kept.
func TestFailuresAndChanges(t *testing.T) {
	db := open(t)
	const insert = "INSERT INTO n VALUES (?, ?)"
	for range 3 {
		if _, err := db.Exec(insert, 3, "double"); err == nil {
			t.Fatal("a double was taken")
		}
		do(t, db, "DELETE FROM n WHERE i = 3")
		do(t, db, insert, 3, "t3")
		if _, err := db.Query("SELECT nothing FROM n"); err == nil {
			t.Fatal("a column that is not there was read")
		}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := db.QueryContext(ended, "SELECT t FROM n"); err == nil {
		t.Error("a query ran though its context had ended")
	}
	if got := len(texts(t, db, "SELECT t FROM n")); got != 10 {
		t.Errorf("%d rows", got)
	}
	do(t, db, "ALTER TABLE n RENAME COLUMN t TO word")
	do(t, db, "ALTER TABLE n ADD COLUMN t TEXT DEFAULT 'new'")
	if got := texts(t, db, "SELECT t FROM n"); len(got) != 10 || got[0] != "new" {
		t.Error(got)
	}
	do(t, db, "DROP TABLE n")
	if _, err := db.Query("SELECT t FROM n"); err == nil {
		t.Error("a table that was dropped was read")
	}
}

// What is kept is bounded, those being read are not dropped, and scripts and settings are run
// as they are.
func TestBounded(t *testing.T) {
	db := open(t)
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := tx.Query("SELECT t FROM n ORDER BY i")
	if err != nil {
		t.Fatal(err)
	}
	for i := range 5 * kept {
		if got := texts(t, tx, fmt.Sprintf("SELECT t FROM n WHERE i = %d", i%10+10*i)); len(got) > 1 {
			t.Fatal(got)
		}
	}
	n := 0
	for rows.Next() {
		n++
	}
	if rows.Err() != nil || n != 10 {
		t.Error(n, rows.Err())
	}
	rows.Close()
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
	if got := statements(t, db); got != kept {
		t.Errorf("%d statements are kept, not %d", got, kept)
	}
	do(t, db, "DELETE FROM n; INSERT INTO n VALUES (1, 'one'); INSERT INTO n VALUES (2, 'two')")
	do(t, db, "DELETE FROM n; INSERT INTO n VALUES (1, 'one'); INSERT INTO n VALUES (2, 'two')")
	if got := fmt.Sprint(texts(t, db, "SELECT t FROM n ORDER BY i")); got != "[one two]" {
		t.Error(got)
	}
	do(t, db, "PRAGMA user_version = 7")
	if got := fmt.Sprint(texts(t, db, "PRAGMA user_version")); got != "[7]" {
		t.Error(got)
	}
}
