package rawsql

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"capd.example/store"
)

var (
	noTable  = regexp.MustCompile(`no such table: (\S+)`)
	noColumn = regexp.MustCompile(`no such column: (\S+)`)
	near     = regexp.MustCompile(`near "(\w+)": syntax error`)
)

// Hints says what to type instead of a query that the database does not understand.
func Hints(ctx context.Context, s *store.Store, query string, err error) (out []string) {
	views := "the views are " + strings.Join(store.Views, ", ")
	if noTable.MatchString(err.Error()) {
		return []string{views}
	}
	columns := columnsOf(ctx, s)
	if m := near.FindStringSubmatch(err.Error()); m != nil {
		for _, list := range columns {
			if word := strings.ToLower(m[1]); slices.Contains(list, word) {
				return []string{fmt.Sprintf(`%s is a word of SQL too: write the column as "%s", in double quotes`, m[1], word)}
			}
		}
	}
	if m := noColumn.FindStringSubmatch(err.Error()); m != nil {
		for _, view := range store.Views {
			if regexp.MustCompile(`(?i)\b` + view + `\b`).MatchString(query) {
				out = append(out, fmt.Sprintf("columns of %s: %s", view, strings.Join(columns[view], ", ")))
			}
		}
	}
	if len(out) == 0 {
		out = []string{views + "; docs/store.md describes their columns"}
	}
	return out
}

// columnsOf lists the columns of every view; what cannot be read is left out.
func columnsOf(ctx context.Context, s *store.Store) map[string][]string {
	out := map[string][]string{}
	for _, view := range store.Views {
		rows, err := s.Query(ctx, "SELECT name FROM pragma_table_info(?)", view)
		if err != nil {
			continue
		}
		for row, err := rows.Next(); err == nil && row != nil; row, err = rows.Next() {
			if name, ok := row[0].(string); ok {
				out[view] = append(out[view], name)
			}
		}
		rows.Close()
	}
	return out
}
