package tables

import (
	"context"
	"database/sql"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// TagChange is one correction of one tag of one pass.
type TagChange struct {
	Change string      `json:"change"` // identity of the correction, shared by all its passes and tags
	Pass   string      `json:"pass"`
	Name   string      `json:"name"`
	Old    *record.Tag `json:"old"` // nil: the pass had no such tag
	New    *record.Tag `json:"new"` // nil: the tag was taken away
	At     time.Time   `json:"at"`
	Who    string      `json:"who"`
	Why    string      `json:"why"`
	Undoes string      `json:"undoes,omitempty"` // the change that this one takes back
}

// TagColumns are value and source of a tag as they are stored, NULL for none.
func TagColumns(t *record.Tag) [2]sql.NullString {
	if t == nil {
		return [2]sql.NullString{}
	}
	return [2]sql.NullString{{String: t.Value, Valid: true}, {String: string(t.From), Valid: true}}
}

// ChangesWhere reads the corrections of tags that a condition selects, oldest first.
func ChangesWhere(ctx context.Context, tx *sql.Tx, condition string, args ...any) (out []TagChange, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT c.change, p.id, c.name, c.old_value, c.old_origin, c.new_value, c.new_origin, c.at, c.who, c.why, c.undoes
		FROM tag_changes c JOIN pass_rows p ON p.n = c.pass WHERE `+condition+` ORDER BY c.n`, args...)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var c TagChange
		var old, now [2]sql.NullString
		var at string
		err := rows.Scan(&c.Change, &c.Pass, &c.Name, &old[0], &old[1], &now[0], &now[1], &at, &c.Who, &c.Why, &c.Undoes)
		if err == nil {
			c.At, err = sqlbase.Unstamp(at)
		}
		if err != nil {
			rows.Close()
			return nil, err
		}
		c.Old, c.New = tagOf(old), tagOf(now)
		out = append(out, c)
	}
	return out, sqlbase.CloseRows(rows)
}

func tagOf(c [2]sql.NullString) *record.Tag {
	if !c[0].Valid {
		return nil
	}
	return &record.Tag{Value: c[0].String, From: record.Origin(c[1].String)}
}
