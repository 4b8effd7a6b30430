package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"regexp"
	"strings"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/sqlguard"
)

// longest is how many bytes one value may have in a query, in and out: the database cannot
// be stopped while a function makes or searches a single one.
const longest = 32 << 20

// Rows is the result of a query as it is read.
type Rows struct {
	Columns []string
	rows    *sql.Rows
	conn    *sql.Conn
	length  int // what the connection's limit was
	err     error
	path    string
}

// Query runs one read-only SQL statement of the user's over the views, with its values
// apart. Writing, attaching files, changing settings and several statements at once are
// refused by the database itself ([ErrForbidden]); ctx stops a runaway query. The caller
// closes the result.
func (s *Store) Query(ctx context.Context, text string, args ...any) (*Rows, error) {
	if err := sqlguard.OneStatement(text); err != nil {
		return nil, fmt.Errorf("query: %w", err)
	}
	if name := sqlguard.Shadowed(text); name != "" {
		return nil,
			fmt.Errorf("query: %w: WITH cannot name its own table %s, since that is a name of this store: choose another",
				ErrForbidden, name)
	}
	// The guard below decides; this only gives the plainer answer.
	if word := leading.FindStringSubmatch(text); word != nil && writing.MatchString(word[1]) {
		return nil, fmt.Errorf("query: %w: %s", ErrForbidden, strings.ToUpper(word[1]))
	}
	conn, err := s.db.Conn(ctx)
	if err != nil {
		return nil, fmt.Errorf("query: %w", s.explain(err))
	}
	r := &Rows{conn: conn, path: s.path}
	denied := false
	// The views frames and telemetry call functions of ours; they are as this program made
	// them, which opening has made sure of.
	if _, r.err = conn.ExecContext(ctx, "PRAGMA trusted_schema=1"); r.err == nil {
		r.length, r.err = sqlite.Limit(conn, lib.SQLITE_LIMIT_LENGTH, longest)
	}
	if r.err == nil {
		r.err = sqlguard.Guard(conn, func(action sqlite.AuthorizerActionCode, one, two, database,
			view string) sqlite.AuthorizerReturnCode {
			code := sqlguard.OnlyRead(action, one, two, database, view)
			denied = denied || code != sqlite.AuthorizerOK
			return code
		})
	}
	if r.err == nil {
		r.rows, r.err = conn.QueryContext(ctx, text, args...)
	}
	if r.err == nil {
		r.Columns, r.err = r.rows.Columns()
	}
	if err := r.err; err != nil {
		compiled := compiles(ctx, conn, text, args)
		r.Close()
		if denied {
			return nil, fmt.Errorf("query: %w, over the views %s: %w", ErrForbidden, strings.Join(Views, ", "), err)
		}
		return nil, fmt.Errorf("query: %w", complaint(s.path, err, compiled))
	}
	return r, nil
}

// compiles reports whether a statement that failed is well-formed, so that it was a value
// that it failed on. To explain a statement is to compile it and not to run it.
func compiles(ctx context.Context, conn *sql.Conn, text string, args []any) bool {
	rows, err := conn.QueryContext(ctx, "EXPLAIN "+text, args...)
	if err != nil {
		return false
	}
	return sqlbase.CloseRows(rows) == nil
}

// complaint turns what the database says of a statement into [ErrStatement], and what it
// says of a value, once the statement is compiled, into plainer words.
func complaint(path string, err error, compiled bool) error {
	var e *sqlite.Error
	if !errors.As(err, &e) || e.Code() != lib.SQLITE_ERROR {
		return sqlbase.Explain(path, err)
	}
	text := strings.TrimSuffix(strings.TrimPrefix(e.Error(), "SQL logic error: "), " (1)")
	if compiled {
		return fmt.Errorf("failed on a value: %s", text)
	}
	return fmt.Errorf("%w: %s", ErrStatement, text)
}

// Next returns the next row, or nil at the end. Values are nil, int64, float64, string
// or []byte.
func (r *Rows) Next() ([]any, error) {
	if !r.rows.Next() {
		if err := r.rows.Err(); err != nil {
			return nil, fmt.Errorf("query: %w", complaint(r.path, err, true))
		}
		return nil, nil
	}
	values, to := make([]any, len(r.Columns)), make([]any, len(r.Columns))
	for i := range values {
		to[i] = &values[i]
	}
	if err := r.rows.Scan(to...); err != nil {
		return nil, fmt.Errorf("query: %w", err)
	}
	return values, nil
}

// Close ends the query and gives its connection back without the guard.
func (r *Rows) Close() error {
	if r.rows != nil {
		r.rows.Close()
	}
	err := sqlguard.Guard(r.conn, nil)
	if r.length > 0 {
		if _, e := sqlite.Limit(r.conn, lib.SQLITE_LIMIT_LENGTH, r.length); err == nil {
			err = e
		}
	}
	if _, e := r.conn.ExecContext(context.Background(), "PRAGMA trusted_schema=0"); err == nil {
		err = e
	}
	if e := r.conn.Close(); err == nil {
		err = e
	}
	return err
}

var (
	leading = regexp.MustCompile(`(?s)^(?:\s|--[^\n]*\n|/\*.*?\*/)*([A-Za-z]+)`)
	writing = regexp.MustCompile(`(?i)^(insert|update|delete|replace|create|drop|alter)$`)
)
