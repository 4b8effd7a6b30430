package sqlguard

import (
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"

	"modernc.org/sqlite"
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

// Guard lets a connection do only what an authoriser allows.
func Guard(conn *sql.Conn, fn sqlite.AuthorizerFn) error {
	return conn.Raw(func(c any) error {
		if outer, wrapped := c.(interface{ Unwrap() driver.Conn }); wrapped {
			c = outer.Unwrap()
		}
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
var tablesAllowed = []string{"sqlite_schema", "sqlite_master", "json_each", "json_tree", "pragma_table_info",
	"pragma_table_xinfo", "generate_series"}

// OnlyRead is asked by SQLite for every thing that a statement would do. Tables are
// reached through the views alone, so that these can stay while tables change.
func OnlyRead(action sqlite.AuthorizerActionCode, one, two, database, view string) sqlite.AuthorizerReturnCode {
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
		if slices.Contains(Views, view) || slices.Contains(innerViews, view) || two == "" || slices.Contains(Views, one) ||
			slices.Contains(tablesAllowed, one) || database == "" || one == "" {
			return sqlite.AuthorizerOK
		}
	case sqlite.AuthPragma:
		if name := strings.ToLower(one); name == "table_info" || name == "table_xinfo" {
			return sqlite.AuthorizerOK
		}
	}
	return sqlite.AuthorizerDeny
}

// OneStatement refuses an empty text, and text after the end of the first statement; the
// driver would run it too. Strings, quoted names and comments may hold semicolons.
func OneStatement(text string) error {
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

// Shadowed returns the name of the store's that a WITH clause gives to a table of its own,
// or "". Under such a name the guard could not tell that table from the view. A name that
// comes before AS and a bracket is one, also where a list of columns stands between.
func Shadowed(text string) string {
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
