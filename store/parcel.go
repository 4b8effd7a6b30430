package store

import (
	"context"
	"database/sql"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Changes returns up to limit passes of a bench that were judged or corrected after the
// given mark, those changed first come first, and the mark to go on from. A pass that is
// not judged yet comes when it is. Left is how many remain after these, as far as it is
// cheap to tell.
func (s *Store) Changes(ctx context.Context, bench string, after int64, limit int) (list []Parcel, mark int64,
	left int, err error) {
	mark = after
	err = s.read(ctx, func(tx *sql.Tx) error {
		touched, err := tables.TouchedAfter(ctx, tx, bench, after, limit)
		if err != nil || len(touched) == 0 {
			return err
		}
		var numbers []int64
		for _, t := range touched {
			numbers = append(numbers, t.Pass)
			mark = t.N
		}
		if list, err = tables.Parcels(ctx, tx, numbers); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 FROM touches t JOIN pass_rows p ON p.n = t.pass
			WHERE t.n > ? AND p.bench = ? AND p.state <> 'received' LIMIT 100000)`, mark, bench).Scan(&left)
	})
	return list, mark, left, sqlbase.Wrap(err, "look for changed passes")
}
