package tables

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// LoadSystem reads the system that a query finds.
func LoadSystem(ctx context.Context, tx *sql.Tx, query string, args ...any) (sys record.System, err error) {
	var fields []byte
	err = tx.QueryRowContext(ctx, query, args...).Scan(&sys.ID, &fields)
	if sqlbase.NoRows(err) {
		return sys, fmt.Errorf("%w with this system", sqlbase.ErrNotFound)
	}
	if err == nil {
		if err := json.Unmarshal(fields, &sys.Fields); err != nil {
			return sys, fmt.Errorf("%w: system %s: %v", sqlbase.ErrCorrupt, sys.ID, err)
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

// PositionOf returns where a pass stands in the order of passes; "" stands after all.
func PositionOf(ctx context.Context, tx *sql.Tx, id string) (at string, n int64, err error) {
	if id == "" {
		return "~", 0, nil // sorts after every time
	}
	k, err := KeyOf(ctx, tx, id)
	if err != nil {
		return "", 0, err
	}
	err = tx.QueryRowContext(ctx, `SELECT at FROM pass_rows WHERE n = ?`, k.N).Scan(&at)
	return at, k.N, err
}

// EarlierNumbers finds the earlier passes of a cell, the latest of them.
func EarlierNumbers(ctx context.Context, tx *sql.Tx, bench string, cell map[string]string, before string,
	limit int) ([]int64, error) {
	at, id := "~", "" // sorts after every time
	if before != "" {
		k, err := KeyOf(ctx, tx, before)
		if err != nil {
			return nil, err
		}
		id = k.ID
		if err := tx.QueryRowContext(ctx, `SELECT at FROM pass_rows WHERE n = ?`, k.N).Scan(&at); err != nil {
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
	text, args := p.From(chosen)
	out, err := sqlbase.NumbersOf(ctx, tx, `SELECT p.n FROM pass_rows p WHERE `+text+
		` ORDER BY p.at DESC, p.id DESC LIMIT ?`, append(args, limit)...)
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

// LoadEarlier reads what is needed of an earlier pass to hold another against it.
func LoadEarlier(ctx context.Context, tx *sql.Tx, n int64, e *record.Earlier, systems map[string]record.System) error {
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
		if sys, err = LoadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, e.Pass.System); err != nil {
			return err
		}
		systems[e.Pass.System] = sys
	}
	e.System = sys
	return nil
}
