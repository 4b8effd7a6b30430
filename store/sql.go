package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
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

// innerViews are views that those of [Views] rest on.
var innerViews = []string{"cell_figures", "cell_kept"}

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
	if err := oneStatement(text); err != nil {
		return nil, fmt.Errorf("query: %w", err)
	}
	if name := shadowed(text); name != "" {
		return nil, fmt.Errorf("query: %w: WITH cannot name its own table %s, since that is a name of this store: choose another", ErrForbidden, name)
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
		// The name of the table that WITH makes comes as a view too, but bears none of these.
		// Counting the rows of a view reads its table without any column.
		if slices.Contains(Views, view) || slices.Contains(innerViews, view) || two == "" || slices.Contains(Views, one) || slices.Contains(tablesAllowed, one) || database == "" || one == "" {
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

// oneStatement refuses an empty text, and text after the end of the first statement; the
// driver would run it too. Strings, quoted names and comments may hold semicolons.
func oneStatement(text string) error {
	if strings.ContainsRune(text, 0) {
		return fmt.Errorf("%w: the text holds a zero byte", ErrForbidden)
	}
	statements, ended := 0, true
	for t := range tokens(text) {
		if t.text == ";" {
			ended = true
			continue
		}
		if ended {
			statements++
		}
		ended = false
	}
	switch statements {
	case 0:
		return fmt.Errorf("%w: it is empty", ErrStatement)
	case 1:
		return nil
	}
	return fmt.Errorf("%w: one statement at a time", ErrForbidden)
}

// shadowed returns the name of the store's that a WITH clause gives to a table of its own,
// or "". Under such a name the guard could not tell that table from the view. A name that
// comes before AS and a bracket is one, also where a list of columns stands between.
func shadowed(text string) string {
	var before []token
	for t := range tokens(text) {
		if t.text == "(" {
			if name := namedBefore(before); slices.Contains(Views, name) || slices.Contains(innerViews, name) {
				return name
			}
		}
		before = append(before, t)
	}
	return ""
}

// namedBefore returns what `NAME [(COLUMNS)] AS [NOT] [MATERIALIZED]` at the end names.
func namedBefore(list []token) string {
	last := func(word string) bool {
		n := len(list)
		if n > 0 && !list[n-1].quoted && strings.EqualFold(list[n-1].text, word) {
			list = list[:n-1]
			return true
		}
		return false
	}
	last("materialized")
	last("not")
	if !last("as") {
		return ""
	}
	if last(")") {
		for depth := 1; depth > 0 && len(list) > 0; list = list[:len(list)-1] {
			switch t := list[len(list)-1]; {
			case t.quoted:
			case t.text == ")":
				depth++
			case t.text == "(":
				depth--
			}
		}
	}
	if len(list) == 0 {
		return ""
	}
	return strings.ToLower(list[len(list)-1].text)
}

// token is a word, a sign, or what stood between quotes, without these.
type token struct {
	text   string
	quoted bool
}

// tokens yields the tokens of a statement without blanks and comments.
func tokens(text string) iter.Seq[token] {
	return func(yield func(token) bool) {
		for i := 0; i < len(text); {
			c := text[i]
			rest := text[i+1:]
			var t token
			n := 1
			switch {
			case strings.HasPrefix(text[i:], "--"):
				if n = strings.IndexByte(text[i:], '\n'); n < 0 {
					n = len(text) - i
				}
			case strings.HasPrefix(text[i:], "/*"):
				if n = strings.Index(text[i+2:], "*/"); n < 0 {
					n = len(text) - i
				} else {
					n += 4
				}
			case strings.IndexByte(" \t\n\r\f", c) >= 0:
			case strings.IndexByte("'\"`[", c) >= 0:
				end := c
				if c == '[' {
					end = ']'
				}
				t, n = quotedToken(rest, end)
			case isWord(c):
				for n < len(rest)+1 && isWord(text[i+n]) {
					n++
				}
				t.text = text[i : i+n]
			default:
				t.text = text[i : i+1]
			}
			if (t.text != "" || t.quoted) && !yield(t) {
				return
			}
			i += n
		}
	}
}

// quotedToken reads up to the end of a quotation, in which a doubled end stands for itself
// (but not within square brackets), and says how long it is with its quotes.
func quotedToken(rest string, end byte) (t token, n int) {
	t.quoted = true
	for i := 0; i < len(rest); i++ {
		if rest[i] != end {
			continue
		}
		if end != ']' && i+1 < len(rest) && rest[i+1] == end {
			i++
			continue
		}
		t.text = strings.ReplaceAll(rest[:i], string([]byte{end, end}), string(end))
		return t, i + 2
	}
	t.text = rest
	return t, len(rest) + 1
}

func isWord(c byte) bool {
	return c == '_' || c == '$' || c >= 0x80 || '0' <= c && c <= '9' || 'a' <= c|0x20 && c|0x20 <= 'z'
}
