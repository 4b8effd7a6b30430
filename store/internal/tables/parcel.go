package tables

import (
	"context"
	"database/sql"
	"slices"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// Parcel is a judged pass on its way to a copy elsewhere, its large parts as they are
// stored: see [EncodeFrames] and [EncodeTelemetry].
type Parcel struct {
	Pass      record.Pass
	System    record.System
	Frames    []byte
	Telemetry []byte // nil where none was taken
}

type touch struct{ N, Pass int64 }

// TouchedAfter lists the passes that changed after a mark, in the order of their changes.
func TouchedAfter(ctx context.Context, tx *sql.Tx, bench string, after int64, limit int) (out []touch, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT t.n, t.pass FROM touches t JOIN pass_rows p ON p.n = t.pass
		WHERE t.n > ? AND p.bench = ? AND p.state <> 'received' ORDER BY t.n LIMIT ?`, after, bench, limit)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var t touch
		if err := rows.Scan(&t.N, &t.Pass); err != nil {
			rows.Close()
			return nil, err
		}
		out = append(out, t)
	}
	return out, sqlbase.CloseRows(rows)
}

// Parcels reads passes as they go to a lab.
func Parcels(ctx context.Context, tx *sql.Tx, numbers []int64) ([]Parcel, error) {
	passes, err := LoadPasses(ctx, tx, numbers)
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
			if sys, err = LoadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, p.System); err != nil {
				return nil, err
			}
			systems[p.System] = sys
		}
		list[i].System = sys
	}
	rows, err := tx.QueryContext(ctx, `SELECT p.n, x.frames, x.telemetry FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision
		JOIN archives x ON x.revision = r.n WHERE p.n IN (SELECT value FROM json_each(?))`, sqlbase.JSONList(numbers))
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
	return list, sqlbase.CloseRows(rows)
}
