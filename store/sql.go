package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// ErrForbidden is the answer to a query that would do more than read the views.
var ErrForbidden = errors.New("only reading is allowed")

// ErrStatement is the answer to a query that is no SQL or asks for what is not there.
var ErrStatement = errors.New("the query cannot be run")

// Views are the names that queries may use; their columns are described in
// docs/store.md.
var Views = []string{"passes", "tags", "findings", "cells", "systems", "frames", "telemetry", "corrections", "figures"}

// Rows is the result of a query as it is read.
type Rows struct {
	Columns []string
	rows    *sql.Rows
	conn    *sql.Conn
	err     error
	path    string
}

// Query runs one read-only SQL statement of the user's over the views, with its values
// apart. Writing, attaching files, changing settings and several statements at once are
// refused by the database itself ([ErrForbidden]); ctx stops a runaway query. The caller
// closes the result.
func (s *Store) Query(ctx context.Context, text string, args ...any) (*Rows, error) {
	if err := oneStatement(text); err != nil {
		return nil, fmt.Errorf("query: %w", err)
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
		r.err = guard(conn, func(action sqlite.AuthorizerActionCode, one, two, database, view string) sqlite.AuthorizerReturnCode {
			code := onlyRead(action, one, two, database, view)
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
	return closeRows(rows) == nil
}

// complaint turns what the database says of a statement into [ErrStatement], and what it
// says of a value, once the statement is compiled, into plainer words.
func complaint(path string, err error, compiled bool) error {
	var e *sqlite.Error
	if !errors.As(err, &e) || e.Code() != lib.SQLITE_ERROR {
		return explain(path, err)
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
	err := guard(r.conn, nil)
	if _, e := r.conn.ExecContext(context.Background(), "PRAGMA trusted_schema=0"); err == nil {
		err = e
	}
	if e := r.conn.Close(); err == nil {
		err = e
	}
	return err
}

func guard(conn *sql.Conn, fn sqlite.AuthorizerFn) error {
	return conn.Raw(func(c any) error {
		a, ok := c.(sqlite.AuthorizerRegisterer)
		if !ok {
			return errors.New("the database cannot guard queries")
		}
		return a.RegisterAuthorizer(fn)
	})
}

// forbidden are the functions that reach outside the database.
var forbidden = []string{"load_extension", "writefile", "readfile", "edit", "fts3_tokenizer"}

// tablesAllowed may be read beside the views: what a user needs to find their way.
var tablesAllowed = []string{"sqlite_schema", "sqlite_master", "json_each", "json_tree", "pragma_table_info", "pragma_table_xinfo", "generate_series"}

// onlyRead is asked by SQLite for every thing that a statement would do. Tables are
// reached through the views alone, so that these can stay while tables change.
func onlyRead(action sqlite.AuthorizerActionCode, one, two, database, view string) sqlite.AuthorizerReturnCode {
	switch action {
	case sqlite.AuthSelect, sqlite.AuthRecursive:
		return sqlite.AuthorizerOK
	case sqlite.AuthFunction:
		if slices.Contains(forbidden, strings.ToLower(two)) {
			return sqlite.AuthorizerDeny
		}
		return sqlite.AuthorizerOK
	case sqlite.AuthRead:
		// Counting the rows of a view reads its table without any column.
		if view != "" || two == "" || slices.Contains(Views, one) || slices.Contains(tablesAllowed, one) || database == "" || one == "" {
			return sqlite.AuthorizerOK
		}
	case sqlite.AuthPragma:
		if name := strings.ToLower(one); name == "table_info" || name == "table_xinfo" {
			return sqlite.AuthorizerOK
		}
	}
	return sqlite.AuthorizerDeny
}

var (
	leading = regexp.MustCompile(`(?s)^(?:\s|--[^\n]*\n|/\*.*?\*/)*([A-Za-z]+)`)
	writing = regexp.MustCompile(`(?i)^(insert|update|delete|replace|create|drop|alter)$`)
)

// oneStatement refuses text after the end of the first statement; the driver would run
// it too. Strings, quoted names and comments may hold semicolons.
func oneStatement(text string) error {
	if strings.ContainsRune(text, 0) {
		return fmt.Errorf("%w: the text holds a zero byte", ErrForbidden)
	}
	rest, _ := skipStatement(text)
	for rest != "" {
		var empty bool
		if rest, empty = skipStatement(rest); !empty {
			return fmt.Errorf("%w: one statement at a time", ErrForbidden)
		}
	}
	return nil
}

// skipStatement returns what follows the first semicolon that ends a statement, and
// whether nothing but blanks and comments stood before it.
func skipStatement(text string) (rest string, empty bool) {
	empty = true
	for i := 0; i < len(text); i++ {
		end := ""
		switch c := text[i]; {
		case c == ';':
			return text[i+1:], empty
		case strings.HasPrefix(text[i:], "--"):
			end = "\n"
		case strings.HasPrefix(text[i:], "/*"):
			end = "*/"
			i++
		case c == '\'' || c == '"' || c == '`':
			end, empty = string(c), false
		case c == '[':
			end, empty = "]", false
		case c != ' ' && c != '\t' && c != '\n' && c != '\r' && c != '\f':
			empty = false
		}
		if end == "" {
			continue
		}
		n := strings.Index(text[i+1:], end)
		if n < 0 {
			return "", empty
		}
		i += n + len(end)
	}
	return "", empty
}
