package store

import (
	"context"
	"database/sql"
	"encoding/json"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// System returns the system with the given identity (record.System.ID).
func (s *Store) System(ctx context.Context, id string) (sys record.System, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		sys, err = tables.LoadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, id)
		return err
	})
	return sys, sqlbase.Wrap(err, "read system %s", id)
}

// Systems lists every system of every bench in order of first use.
func (s *Store) Systems(ctx context.Context) (out []SystemSeen, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `
			SELECT s.id, s.fields, u.bench, u.first, u.last, u.passes
			FROM (SELECT system, bench, min(at) AS first, max(at) AS last, count(*) AS passes FROM pass_rows
			      WHERE system IS NOT NULL GROUP BY system, bench) u
			JOIN system_rows s ON s.n = u.system ORDER BY u.first, s.n`)
		if err != nil {
			return err
		}
		for rows.Next() {
			var x SystemSeen
			var fields []byte
			var first, last string
			err := rows.Scan(&x.System.ID, &fields, &x.Bench, &first, &last, &x.Passes)
			if err == nil {
				err = json.Unmarshal(fields, &x.System.Fields)
			}
			if err == nil {
				x.First, err = sqlbase.Unstamp(first)
			}
			if err == nil {
				x.Last, err = sqlbase.Unstamp(last)
			}
			if err != nil {
				rows.Close()
				return err
			}
			out = append(out, x)
		}
		return sqlbase.CloseRows(rows)
	})
	return out, sqlbase.Wrap(err, "list systems")
}

// LastSystem returns the system of the latest pass of a bench that started before the
// pass with the identity before ("" for the latest of all); ok is false where there is
// none.
func (s *Store) LastSystem(ctx context.Context, bench, before string) (sys record.System, ok bool, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		at, n, err := tables.PositionOf(ctx, tx, before)
		if err != nil {
			return err
		}
		var id int64
		err = tx.QueryRowContext(ctx, `SELECT system FROM pass_rows WHERE bench = ? AND (at, n) < (?, ?) AND system IS NOT NULL
			ORDER BY at DESC, n DESC LIMIT 1`, bench, at, n).Scan(&id)
		if sqlbase.NoRows(err) {
			return nil
		}
		if err != nil {
			return err
		}
		sys, err = tables.LoadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE n = ?`, id)
		ok = err == nil
		return err
	})
	return sys, ok, sqlbase.Wrap(err, "read the last system of bench %s", bench)
}

// Earlier returns the last limit passes (0 for all) of a cell on a bench that started before
// the pass with the identity before ("" for all), of equal starts those with a smaller
// identity, oldest first, whatever their verdict and whenever they were stored. Cell maps
// factor names to values; "" asks for passes without that tag. An empty bench means every
// bench.
func (s *Store) Earlier(ctx context.Context, bench string, cell map[string]string, before string,
	limit int) (out []record.Earlier, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		numbers, err := tables.EarlierNumbers(ctx, tx, bench, cell, before, limit)
		if err != nil {
			return err
		}
		passes, err := tables.LoadPasses(ctx, tx, numbers)
		if err != nil {
			return err
		}
		systems := map[string]record.System{}
		for i, p := range passes {
			e := record.Earlier{Pass: p}
			if err := tables.LoadEarlier(ctx, tx, numbers[i], &e, systems); err != nil {
				return err
			}
			out = append(out, e)
		}
		return nil
	})
	return out, sqlbase.Wrap(err, "look for earlier passes of the cell")
}
