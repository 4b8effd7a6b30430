package tables

import (
	"context"
	"database/sql"
	"time"

	"capd.example/store/internal/sqlbase"
)

// BatchOf is how many passes bear a tag campaign, and from when to when they are.
type BatchOf struct {
	Campaign string // "" for none
	Passes   int
	From, To time.Time // by the time that orders passes: the start where it is known
}

// Batches counts the selected passes by campaign; limit and offset do not count.
func Batches(ctx context.Context, tx *sql.Tx, f Filter) (out []BatchOf, err error) {
	p, err := f.Plan(ctx, tx)
	if err != nil {
		return nil, err
	}
	text, args := p.From(p.Rarest())
	rows, err := tx.QueryContext(ctx, `SELECT p.campaign, count(*), min(p.at), max(p.at) FROM pass_rows p WHERE `+text+
		` GROUP BY p.campaign`, args...)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var b BatchOf
		var from, to string
		if err = rows.Scan(&b.Campaign, &b.Passes, &from, &to); err == nil {
			b.From, err = sqlbase.Unstamp(from)
		}
		if err == nil {
			b.To, err = sqlbase.Unstamp(to)
		}
		if err != nil {
			rows.Close()
			return nil, err
		}
		out = append(out, b)
	}
	return out, sqlbase.CloseRows(rows)
}
