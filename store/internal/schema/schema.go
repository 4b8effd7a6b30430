package schema

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/migrations"
)

// object is a table, index, view or trigger as the file describes it.
type object struct{ kind, sql string }

// objects lists what a file holds, without what the database makes by itself.
func objects(ctx context.Context, q sqlbase.Querier) (map[string]object, error) {
	rows, err := q.QueryContext(ctx,
		`SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite\_%' ESCAPE '\'`)
	if err != nil {
		return nil, err
	}
	out := map[string]object{}
	for rows.Next() {
		var name, text sql.NullString
		var o object
		if err := rows.Scan(&o.kind, &name, &text); err != nil {
			rows.Close()
			return nil, err
		}
		o.sql = text.String
		out[name.String] = o
	}
	return out, sqlbase.CloseRows(rows)
}

var (
	schemas     = map[int]map[string]object{}
	schemasLock sync.Mutex
)

// schemaOf returns what a store of the given version holds: its migrations are run on an
// empty database in memory.
func schemaOf(ctx context.Context, v int) (map[string]object, error) {
	schemasLock.Lock()
	defer schemasLock.Unlock()
	if known := schemas[v]; known != nil {
		return known, nil
	}
	db, err := sql.Open("sqlite", "file::memory:")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	for to := 1; to <= v; to++ {
		script, err := migrations.Files.ReadFile(fmt.Sprintf("%03d.sql", to))
		if err != nil {
			return nil, err
		}
		if _, err := db.ExecContext(ctx, string(script)); err != nil {
			return nil, err
		}
	}
	found, err := objects(ctx, db)
	if err == nil {
		schemas[v] = found
	}
	return found, err
}

// strange lists where the objects of a file are not those that this program makes. What
// somebody added for their own queries is not: it changes no answer, unless it is a trigger,
// which runs with every change.
func strange(is, want map[string]object) (out []string) {
	for _, name := range slices.Sorted(maps.Keys(want)) {
		if o, has := is[name]; !has {
			out = append(out, fmt.Sprintf("the %s %s is missing", want[name].kind, name))
		} else if o != want[name] {
			out = append(out, fmt.Sprintf("the %s %s is not as this program made it", want[name].kind, name))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(is)) {
		if _, ours := want[name]; !ours && is[name].kind == "trigger" {
			out = append(out, fmt.Sprintf("the trigger %s is not of this program", name))
		}
	}
	return out
}

// CheckSchema refuses a store whose tables, views and triggers are not those of its
// version: they decide what is read and what a change does.
func CheckSchema(ctx context.Context, db *sql.DB) error {
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	v, err := Version(ctx, tx)
	if err != nil {
		return err
	}
	is, err := objects(ctx, tx)
	if err != nil {
		return err
	}
	if v == 0 && len(is) == 0 {
		return nil // new
	}
	want, err := schemaOf(ctx, v)
	if err != nil {
		return err
	}
	found := strange(is, want)
	if v == 0 {
		found = []string{"its version is lost"}
	}
	if len(found) > 0 {
		return &AlteredError{found}
	}
	return nil
}

// AlteredError is a store whose tables are not as they should be.
type AlteredError struct{ What []string }

func (e *AlteredError) Error() string {
	text := strings.Join(e.What[:min(3, len(e.What))], ", ")
	if n := len(e.What) - 3; n > 0 {
		text += fmt.Sprintf(" and %d more", n)
	}
	return text
}
