package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"capd.example/record"
)

// System returns the system with the given identity (record.System.ID).
func (s *Store) System(ctx context.Context, id string) (sys record.System, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		sys, err = loadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, id)
		return err
	})
	return sys, wrap(err, "read system %s", id)
}

func loadSystem(ctx context.Context, tx *sql.Tx, query string, args ...any) (sys record.System, err error) {
	var fields []byte
	err = tx.QueryRowContext(ctx, query, args...).Scan(&sys.ID, &fields)
	if noRows(err) {
		return sys, fmt.Errorf("%w with this system", ErrNotFound)
	}
	if err == nil {
		if err := json.Unmarshal(fields, &sys.Fields); err != nil {
			return sys, fmt.Errorf("%w: system %s: %v", ErrCorrupt, sys.ID, err)
		}
	}
	return sys, err
}

// SystemSeen is one system and when it was in use on a bench.
type SystemSeen struct {
	System record.System
	Bench  string
	First  time.Time // start of the first pass on it
	Last   time.Time
	Passes int
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
				x.First, err = unstamp(first)
			}
			if err == nil {
				x.Last, err = unstamp(last)
			}
			if err != nil {
				rows.Close()
				return err
			}
			out = append(out, x)
		}
		return closeRows(rows)
	})
	return out, wrap(err, "list systems")
}

// LastSystem returns the system of the latest pass of a bench that started before the
// pass with the identity before ("" for the latest of all); ok is false where there is
// none.
func (s *Store) LastSystem(ctx context.Context, bench, before string) (sys record.System, ok bool, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		at, n, err := position(ctx, tx, before)
		if err != nil {
			return err
		}
		var id int64
		err = tx.QueryRowContext(ctx, `SELECT system FROM pass_rows WHERE bench = ? AND (at, n) < (?, ?) AND system IS NOT NULL
			ORDER BY at DESC, n DESC LIMIT 1`, bench, at, n).Scan(&id)
		if noRows(err) {
			return nil
		}
		if err != nil {
			return err
		}
		sys, err = loadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE n = ?`, id)
		ok = err == nil
		return err
	})
	return sys, ok, wrap(err, "read the last system of bench %s", bench)
}

// position returns where a pass stands in the order of passes; "" stands after all.
func position(ctx context.Context, tx *sql.Tx, id string) (at string, n int64, err error) {
	if id == "" {
		return "~", 0, nil // sorts after every time
	}
	k, err := keyOf(ctx, tx, id)
	if err != nil {
		return "", 0, err
	}
	err = tx.QueryRowContext(ctx, `SELECT at FROM pass_rows WHERE n = ?`, k.n).Scan(&at)
	return at, k.n, err
}

// Earlier returns the last limit passes (0 for all) of a cell on a bench that started before
// the pass with the identity before ("" for all), of equal starts those with a smaller
// identity, oldest first, whatever their verdict and whenever they were stored. Cell maps
// factor names to values; "" asks for passes without that tag. An empty bench means every
// bench.
func (s *Store) Earlier(ctx context.Context, bench string, cell map[string]string, before string, limit int) (out []record.Earlier, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		numbers, err := earlierNumbers(ctx, tx, bench, cell, before, limit)
		if err != nil {
			return err
		}
		passes, err := loadPasses(ctx, tx, numbers)
		if err != nil {
			return err
		}
		systems := map[string]record.System{}
		for i, p := range passes {
			e := record.Earlier{Pass: p}
			if err := loadEarlier(ctx, tx, numbers[i], &e, systems); err != nil {
				return err
			}
			out = append(out, e)
		}
		return nil
	})
	return out, wrap(err, "look for earlier passes of the cell")
}

func earlierNumbers(ctx context.Context, tx *sql.Tx, bench string, cell map[string]string, before string, limit int) ([]int64, error) {
	at, id := "~", "" // sorts after every time
	if before != "" {
		k, err := keyOf(ctx, tx, before)
		if err != nil {
			return nil, err
		}
		id = k.id
		if err := tx.QueryRowContext(ctx, `SELECT at FROM pass_rows WHERE n = ?`, k.n).Scan(&at); err != nil {
			return nil, err
		}
	}
	p := cellPlan(bench, cell)
	p.parts = append(p.parts, condition{test: "(p.at, p.id) < (?, ?)", args: []any{at, id}})
	chosen := 0 // the cells, where any usual factor is asked for
	if p.parts[0].indexed == "" {
		chosen = -1
	}
	if limit <= 0 {
		limit = -1
	}
	text, args := p.from(chosen)
	out, err := numbersOf(ctx, tx, `SELECT p.n FROM pass_rows p WHERE `+text+` ORDER BY p.at DESC, p.id DESC LIMIT ?`, append(args, limit)...)
	slices.Reverse(out)
	return out, err
}

// cellPlan asks for the passes of a cell of a bench, or of all where that is empty. Its
// values are meant as they are, never as patterns; "" asks for passes without that tag.
func cellPlan(bench string, cell map[string]string) plan {
	tags := maps.Clone(cell)
	var p plan
	p.cells(tags, func(column, _ string) string { return column + " = ?" }, func(text string) []any { return []any{text} })
	p.column("p.bench", bench, bench == "")
	for _, name := range slices.Sorted(maps.Keys(tags)) {
		if value := tags[name]; value == "" {
			p.parts = append(p.parts, condition{test: withoutTag, args: []any{name}})
		} else {
			p.parts = append(p.parts, condition{
				test: `EXISTS (SELECT 1 FROM tag_rows t JOIN terms m ON m.n = t.term WHERE t.pass = p.n AND m.name = ? AND m.value = ?)`, args: []any{name, value},
			})
		}
	}
	return p
}

func loadEarlier(ctx context.Context, tx *sql.Tx, n int64, e *record.Earlier, systems map[string]record.System) error {
	var seconds, temps []byte
	err := tx.QueryRowContext(ctx, `SELECT x.seconds, x.start_temp FROM revisions r JOIN archives x ON x.revision = r.n
		WHERE r.pass = ? AND r.revision = ?`, n, e.Pass.Revision).Scan(&seconds, &temps)
	if err != nil {
		return err
	}
	// A damaged curve of an earlier pass must not hold up the checks of a new one; the
	// integrity check tells.
	if f, err := DecodeFrames(seconds); err == nil {
		e.SecondsMS = f.MS
	}
	if json.Unmarshal(temps, &e.StartTemp) != nil {
		e.StartTemp = nil
	}
	if e.Pass.System == "" {
		return nil
	}
	sys, known := systems[e.Pass.System]
	if !known {
		if sys, err = loadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, e.Pass.System); err != nil {
			return err
		}
		systems[e.Pass.System] = sys
	}
	e.System = sys
	return nil
}
