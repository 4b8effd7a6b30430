package lab

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"capd.example/store"
)

// several selects the identities that more than one of the benches in question holds: few, so
// that they are listed once and everything else is counted without looking at other benches.
func several(benches string) string {
	return "SELECT p.id FROM capd.passes p WHERE " + benches + " GROUP BY p.id HAVING count(*) > 1"
}

// Batches counts the selected passes by campaign, as [store.Store.Batches], from the columns:
// what they count is no figure. Rows without a date are not counted.
func (l *Lab) Batches(ctx context.Context, f store.Filter) (out []store.Batch, err error) {
	err = l.read(ctx, "count passes by campaign", func(tx pgx.Tx) error {
		out, err = l.batches(ctx, tx, f)
		return err
	})
	return out, err
}

func (l *Lab) batches(ctx context.Context, tx pgx.Tx, f store.Filter) ([]store.Batch, error) {
	shared, with, without := !oneBench(f), "", ""
	var args []any
	if shared {
		with, args = where(amongst(f))
		with = "WITH several AS MATERIALIZED (" + several(with) + ") "
		without = " AND p.id NOT IN (SELECT id FROM several)"
	}
	condition, args := where(f, args...)
	condition += ` AND p.at >= '0001-01-01' AND p.at < '9999-12-31'` + without
	rows, err := tx.Query(ctx, with+"SELECT p.campaign, count(*), min(p.at), max(p.at) FROM capd.passes p WHERE "+condition+
		" GROUP BY p.campaign", args...)
	if err != nil {
		return nil, err
	}
	byName := map[string]store.Batch{}
	var b store.Batch
	if _, err := pgx.ForEachRow(rows, []any{&b.Campaign, &b.Passes, &b.From, &b.To}, func() error {
		b.From, b.To = b.From.UTC(), b.To.UTC()
		byName[b.Campaign] = b
		return nil
	}); err != nil {
		return nil, err
	}
	if shared {
		if err := l.addSeveral(ctx, tx, f, byName); err != nil {
			return nil, err
		}
	}
	out := make([]store.Batch, 0, len(byName))
	for _, b := range byName {
		out = append(out, b)
	}
	slices.SortFunc(out, func(a, b store.Batch) int { return strings.Compare(a.Campaign, b.Campaign) })
	return out, nil
}

// addSeveral counts the selected passes that more than one bench holds, each once.
func (l *Lab) addSeveral(ctx context.Context, tx pgx.Tx, f store.Filter, byName map[string]store.Batch) error {
	condition, args := where(amongst(f))
	rows, err := tx.Query(ctx, several(condition), args...)
	if err != nil {
		return err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	condition, args = where(f)
	for some := range slices.Chunk(ids, page) {
		stands, err := l.standing(ctx, tx, f, some)
		if err != nil {
			return err
		}
		rows, err := tx.Query(ctx, fmt.Sprintf("SELECT p.id || p.sha256, p.bench, p.campaign, p.at FROM capd.passes p WHERE %s AND p.id = ANY($%d)",
			condition, len(args)+1), append(args[:len(args):len(args)], some)...)
		if err != nil {
			return err
		}
		var key, bench, campaign string
		var at pgtype.Timestamptz
		if _, err := pgx.ForEachRow(rows, []any{&key, &bench, &campaign, &at}, func() error {
			if first, shared := stands[key]; shared && first != bench || !isTime(at) {
				return nil
			}
			b, known := byName[campaign]
			b.Campaign, b.Passes = campaign, b.Passes+1
			t := at.Time.UTC()
			if !known || t.Before(b.From) {
				b.From = t
			}
			if !known || t.After(b.To) {
				b.To = t
			}
			byName[campaign] = b
			return nil
		}); err != nil {
			return err
		}
	}
	return nil
}
