package store

import (
	"context"
	"database/sql"
	"slices"

	"capd.example/record"
)

// Parcel is a judged pass on its way to a copy elsewhere, its large parts as they are
// stored: see [EncodeFrames] and [EncodeTelemetry].
type Parcel struct {
	Pass      record.Pass
	System    record.System
	Frames    []byte
	Telemetry []byte // nil where none was taken
}

// Changes returns up to limit passes of a bench that were judged or corrected after the
// given mark, those changed first come first, and the mark to go on from. A pass that is
// not judged yet comes when it is. Left is how many remain after these, as far as it is
// cheap to tell.
func (s *Store) Changes(ctx context.Context, bench string, after int64, limit int) (list []Parcel, mark int64, left int, err error) {
	mark = after
	err = s.read(ctx, func(tx *sql.Tx) error {
		touched, err := touchedAfter(ctx, tx, bench, after, limit)
		if err != nil || len(touched) == 0 {
			return err
		}
		var numbers []int64
		for _, t := range touched {
			numbers = append(numbers, t.pass)
			mark = t.n
		}
		if list, err = parcels(ctx, tx, numbers); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 FROM touches t JOIN pass_rows p ON p.n = t.pass
			WHERE t.n > ? AND p.bench = ? AND p.state <> 'received' LIMIT 100000)`, mark, bench).Scan(&left)
	})
	return list, mark, left, wrap(err, "look for changed passes")
}

type touch struct{ n, pass int64 }

func touchedAfter(ctx context.Context, tx *sql.Tx, bench string, after int64, limit int) (out []touch, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT t.n, t.pass FROM touches t JOIN pass_rows p ON p.n = t.pass
		WHERE t.n > ? AND p.bench = ? AND p.state <> 'received' ORDER BY t.n LIMIT ?`, after, bench, limit)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var t touch
		if err := rows.Scan(&t.n, &t.pass); err != nil {
			rows.Close()
			return nil, err
		}
		out = append(out, t)
	}
	return out, closeRows(rows)
}

func parcels(ctx context.Context, tx *sql.Tx, numbers []int64) ([]Parcel, error) {
	passes, err := loadPasses(ctx, tx, numbers)
	if err != nil {
		return nil, err
	}
	list := make([]Parcel, len(passes))
	systems := map[string]record.System{}
	for i, p := range passes {
		list[i].Pass = p
		if p.System == "" {
			continue
		}
		sys, known := systems[p.System]
		if !known {
			if sys, err = loadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, p.System); err != nil {
				return nil, err
			}
			systems[p.System] = sys
		}
		list[i].System = sys
	}
	rows, err := tx.QueryContext(ctx, `SELECT p.n, x.frames, x.telemetry FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision
		JOIN archives x ON x.revision = r.n WHERE p.n IN (SELECT value FROM json_each(?))`, jsonList(numbers))
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var n int64
		var frames, telemetry []byte
		if err := rows.Scan(&n, &frames, &telemetry); err != nil {
			rows.Close()
			return nil, err
		}
		i := slices.Index(numbers, n)
		list[i].Frames, list[i].Telemetry = frames, telemetry
	}
	return list, closeRows(rows)
}
