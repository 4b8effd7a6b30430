package lab

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"capd.example/record"
	"capd.example/store"
)

// Each calls fn for every selected pass of all benches, in order, as [store.Store.Each].
func (l *Lab) Each(ctx context.Context, f store.Filter, fn func(record.Pass) error) error {
	if err := l.check(ctx); err != nil {
		return l.wrap(err, "read passes")
	}
	text, args := where(f)
	order := " ORDER BY at, bench, id"
	if f.Newest {
		order = " ORDER BY at DESC, bench DESC, id DESC"
	}
	if f.Limit > 0 {
		order += fmt.Sprintf(" LIMIT %d", f.Limit)
	}
	if f.Offset > 0 {
		order += fmt.Sprintf(" OFFSET %d", f.Offset)
	}
	rows, err := l.conn.Query(ctx, "SELECT doc FROM capd.passes WHERE "+text+order, args...)
	if err != nil {
		return l.wrap(err, "read passes")
	}
	defer rows.Close()
	for rows.Next() {
		var doc []byte
		var p record.Pass
		if err := rows.Scan(&doc); err != nil {
			return l.wrap(err, "read passes")
		}
		if err := json.Unmarshal(doc, &p); err != nil {
			return l.wrap(err, "read passes")
		}
		if err := fn(p); err != nil {
			return err
		}
	}
	return l.wrap(rows.Err(), "read passes")
}

// Passes returns the selected passes of all benches.
func (l *Lab) Passes(ctx context.Context, f store.Filter) (out []record.Pass, err error) {
	err = l.Each(ctx, f, func(p record.Pass) error {
		out = append(out, p)
		return nil
	})
	return out, err
}

var factorColumns = map[string]string{
	record.TagProcessor: "cpu", record.TagGraphics: "gpu", record.TagGame: "game", record.TagScene: "scene",
	record.TagResolution: "resolution", record.TagPreset: "preset", record.TagCampaign: "campaign",
}

// where writes a filter with the user's values apart.
func where(f store.Filter) (string, []any) {
	parts, args := []string{"true"}, []any{}
	add := func(text string, values ...any) {
		for _, v := range values {
			args = append(args, v)
			text = strings.Replace(text, "?", fmt.Sprintf("$%d", len(args)), 1)
		}
		parts = append(parts, text)
	}
	match := func(column, value string) {
		if strings.ContainsAny(value, "*?[") {
			add("("+column+" = ? OR "+column+" ~ ?)", plain(value), globPattern(plain(value)))
		} else {
			add(column+" = ?", plain(value))
		}
	}
	for name, value := range f.Tags {
		column, usual := factorColumns[name]
		if !usual {
			args = append(args, plain(name))
			column = fmt.Sprintf("coalesce(tags ->> $%d, '')", len(args))
		}
		match(column, value)
	}
	if f.Campaign != "" {
		match("campaign", f.Campaign)
	}
	if f.Bench != "" {
		match("bench", f.Bench)
	}
	if len(f.Verdicts) > 0 {
		list := make([]string, len(f.Verdicts))
		for i, v := range f.Verdicts {
			list[i] = string(v)
		}
		add("verdict = ANY(?)", list)
	}
	if f.System != "" {
		add("left(system, length(?)) = ?", f.System, f.System)
	}
	if !f.Since.IsZero() {
		add("at >= ?", f.Since)
	}
	if !f.Until.IsZero() {
		add("at < ?", f.Until)
	}
	return strings.Join(parts, " AND "), args
}

// globPattern turns a pattern with *, ? and [set] into a regular expression.
func globPattern(glob string) string {
	var b strings.Builder
	b.WriteString("^")
	for i := 0; i < len(glob); i++ {
		switch c := glob[i]; {
		case c == '*':
			b.WriteString(".*")
		case c == '?':
			b.WriteString(".")
		case c == '[':
			end := strings.IndexByte(glob[i+1:], ']')
			if end < 1 {
				return "^(?!)" // an unfinished set matches nothing, as in the bench's own store
			}
			set := strings.ReplaceAll(glob[i+1:i+1+end], `\`, `\\`)
			b.WriteString("[" + strings.ReplaceAll(set, "[", `\[`) + "]")
			i += 1 + end
		case strings.IndexByte(`\.+()|{}^$]`, c) >= 0:
			b.WriteString(`\` + string(c))
		default:
			b.WriteByte(c)
		}
	}
	return b.String() + "$"
}

// Whole returns everything about the pass whose identity begins with prefix:
// [store.ErrNotFound] or [store.ErrAmbiguous] where that is not one.
func (l *Lab) Whole(ctx context.Context, prefix string) (a store.Arrival, err error) {
	if err := l.check(ctx); err != nil {
		return a, l.wrap(err, "read pass")
	}
	if prefix == "" || strings.Trim(prefix, "0123456789abcdef") != "" {
		return a, l.wrap(fmt.Errorf("%w: %q", store.ErrNotFound, prefix), "read pass")
	}
	rows, err := l.conn.Query(ctx, `SELECT p.doc, a.frames, a.telemetry, coalesce(s.fields, '[]') FROM capd.passes p
		JOIN capd.archives a ON a.bench = p.bench AND a.id = p.id LEFT JOIN capd.systems s ON s.id = p.system
		WHERE p.id LIKE $1 || '%' ORDER BY p.id LIMIT 2`, prefix)
	if err != nil {
		return a, l.wrap(err, "read pass")
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (x [4][]byte, err error) {
		return x, row.Scan(&x[0], &x[1], &x[2], &x[3])
	})
	switch {
	case err != nil:
	case len(found) == 0:
		err = fmt.Errorf("%w: %q", store.ErrNotFound, prefix)
	case len(found) > 1:
		err = fmt.Errorf("%w: %q: type more of it", store.ErrAmbiguous, prefix)
	default:
		a, err = arrivalOf(found[0])
	}
	return a, l.wrap(err, "read pass")
}

func arrivalOf(x [4][]byte) (a store.Arrival, err error) {
	err = errors.Join(json.Unmarshal(x[0], &a.Pass), json.Unmarshal(x[3], &a.System.Fields))
	if err != nil {
		return a, err
	}
	a.System.ID = a.Pass.System
	if a.Frames, err = store.DecodeFrames(x[1]); err != nil {
		return a, err
	}
	if x[2] != nil {
		a.Telemetry, err = store.DecodeTelemetry(x[2])
	}
	return a, err
}

// Bench is one bench as the lab knows it.
type Bench struct {
	Name    string    `json:"bench"`
	Passes  int       `json:"passes"`
	Bad     int       `json:"bad"`
	SeenAt  time.Time `json:"seen_at"` // when it last sent, by the lab's clock
	Backlog int       `json:"backlog"` // what it still had to send then
	// Skew is the bench's clock minus the lab's when it last sent, in s; it includes the
	// time on the way.
	Skew float64 `json:"clock_skew_s"`
}

// Status lists the benches in order of their names.
func (l *Lab) Status(ctx context.Context) ([]Bench, error) {
	if err := l.check(ctx); err != nil {
		return nil, l.wrap(err, "status")
	}
	rows, err := l.conn.Query(ctx, `SELECT b.name, coalesce(p.passes, 0), coalesce(p.bad, 0), b.seen_at, b.backlog, extract(epoch FROM b.bench_at - b.seen_at)::float8
		FROM capd.benches b LEFT JOIN (SELECT bench, count(*) AS passes, sum(CASE verdict WHEN 'bad' THEN 1 ELSE 0 END) AS bad FROM capd.passes GROUP BY bench) p
		ON p.bench = b.name ORDER BY b.name`)
	if err != nil {
		return nil, l.wrap(err, "status")
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (b Bench, err error) {
		err = row.Scan(&b.Name, &b.Passes, &b.Bad, &b.SeenAt, &b.Backlog, &b.Skew)
		b.SeenAt = b.SeenAt.UTC()
		return b, err
	})
	return list, l.wrap(err, "status")
}
