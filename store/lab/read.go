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
	"capd.example/store/internal/tables"
)

// once leaves out what another bench holds as well: a log that was copied to a second
// bench is one pass, here the one of the bench whose name comes first.
const once = `NOT EXISTS (SELECT 1 FROM capd.passes o WHERE o.id = p.id AND o.sha256 = p.sha256 AND o.bench < p.bench)`

// Each calls fn for every selected pass of all benches, in order, as [store.Store.Each].
func (l *Lab) Each(ctx context.Context, f store.Filter, fn func(record.Pass) error) error {
	if err := l.check(ctx); err != nil {
		return l.wrap(err, "read passes")
	}
	text, args := where(f)
	if f.Bench == "" {
		text += " AND " + once
	}
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
	rows, err := l.conn.Query(ctx, "SELECT doc FROM capd.passes p WHERE "+text+order, args...)
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

// Lean is [Lab.Each]: a lab keeps passes whole.
func (l *Lab) Lean(ctx context.Context, f store.Filter, _ []string, fn func(record.Pass) error) error {
	return l.Each(ctx, f, fn)
}

// Batches counts the selected passes by campaign.
func (l *Lab) Batches(ctx context.Context, f store.Filter) ([]store.Batch, error) {
	if err := l.check(ctx); err != nil {
		return nil, l.wrap(err, "count passes by campaign")
	}
	text, args := where(f)
	if f.Bench == "" {
		text += " AND " + once
	}
	rows, err := l.conn.Query(ctx, "SELECT coalesce(campaign, ''), count(*), min(at), max(at) FROM capd.passes p WHERE "+text+" GROUP BY 1 ORDER BY 1", args...)
	if err != nil {
		return nil, l.wrap(err, "count passes by campaign")
	}
	defer rows.Close()
	var out []store.Batch
	for rows.Next() {
		var b store.Batch
		if err := rows.Scan(&b.Campaign, &b.Passes, &b.From, &b.To); err != nil {
			return nil, l.wrap(err, "count passes by campaign")
		}
		out = append(out, b)
	}
	return out, l.wrap(rows.Err(), "count passes by campaign")
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
	if len(f.Benches) > 0 {
		list := make([]string, len(f.Benches))
		for i, b := range f.Benches {
			list[i] = plain(b)
		}
		add("bench = ANY(?)", list)
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

// key is what identifies a pass among all benches.
type key struct{ bench, id string }

// find returns the pass whose identity begins with prefix: [store.ErrNotFound] or
// [store.ErrAmbiguous] where that is not one. Benches that hold a copy of the same log
// hold the same pass; the first of them stands for all.
func (l *Lab) find(ctx context.Context, prefix string) (key, error) {
	if err := l.check(ctx); err != nil {
		return key{}, err
	}
	if prefix == "" || strings.Trim(prefix, "0123456789abcdef") != "" {
		return key{}, fmt.Errorf("%w: %q", store.ErrNotFound, prefix)
	}
	rows, err := l.conn.Query(ctx,
		`SELECT min(bench), id FROM capd.passes WHERE id LIKE $1 || '%' GROUP BY id ORDER BY id LIMIT 2`, prefix)
	if err != nil {
		return key{}, err
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (k key, err error) {
		return k, row.Scan(&k.bench, &k.id)
	})
	switch {
	case err != nil:
		return key{}, err
	case len(found) == 0:
		return key{}, fmt.Errorf("%w: %q", store.ErrNotFound, prefix)
	case len(found) > 1 && found[0].id != prefix:
		return key{}, fmt.Errorf("%w: %q: type more of it", store.ErrAmbiguous, prefix)
	}
	return found[0], nil
}

// column reads one column of one pass; its name is never the user's.
func (l *Lab) column(ctx context.Context, prefix, name string) (blob []byte, err error) {
	k, err := l.find(ctx, prefix)
	if err == nil {
		err = l.conn.QueryRow(ctx, `SELECT `+name+` FROM capd.passes p JOIN capd.archives a ON a.bench = p.bench AND a.id = p.id
			WHERE p.bench = $1 AND p.id = $2`, k.bench, k.id).Scan(&blob)
	}
	return blob, err
}

// Pass returns the pass whose identity begins with prefix, as [store.Store.Pass].
func (l *Lab) Pass(ctx context.Context, prefix string) (p record.Pass, err error) {
	doc, err := l.column(ctx, prefix, "p.doc")
	if err == nil {
		err = json.Unmarshal(doc, &p)
	}
	return p, l.wrap(err, "read pass")
}

// Frames returns the frame times of a pass, as [store.Store.Frames].
func (l *Lab) Frames(ctx context.Context, id string) (f record.Frames, err error) {
	blob, err := l.column(ctx, id, "a.frames")
	if err == nil {
		f, err = tables.DecodeFrames(blob)
		err = damaged(err)
	}
	return f, l.wrap(err, "frame times of pass "+id)
}

// Telemetry returns the samples of a pass, nil where none were taken.
func (l *Lab) Telemetry(ctx context.Context, id string) (t *record.Telemetry, err error) {
	blob, err := l.column(ctx, id, "a.telemetry")
	if err == nil && blob != nil {
		t, err = tables.DecodeTelemetry(blob)
		err = damaged(err)
	}
	return t, l.wrap(err, "telemetry of pass "+id)
}

func damaged(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w: %w", store.ErrCorrupt, err)
}

// System returns the system with the given identity.
func (l *Lab) System(ctx context.Context, id string) (s record.System, err error) {
	if err := l.check(ctx); err != nil {
		return s, l.wrap(err, "read system")
	}
	var fields []byte
	err = l.conn.QueryRow(ctx, `SELECT fields FROM capd.systems WHERE id = $1`, id).Scan(&fields)
	if errors.Is(err, pgx.ErrNoRows) {
		err = fmt.Errorf("%w with this system", store.ErrNotFound)
	}
	if err == nil {
		s.ID = id
		err = json.Unmarshal(fields, &s.Fields)
	}
	return s, l.wrap(err, "read system "+id)
}

// Systems lists every system of every bench in order of first use.
func (l *Lab) Systems(ctx context.Context) ([]store.SystemSeen, error) {
	if err := l.check(ctx); err != nil {
		return nil, l.wrap(err, "list systems")
	}
	rows, err := l.conn.Query(ctx, `SELECT s.id, s.fields, u.bench, u.first, u.last, u.passes
		FROM (SELECT system, bench, min(at) AS first, max(at) AS last, count(*) AS passes FROM capd.passes GROUP BY system, bench) u
		JOIN capd.systems s ON s.id = u.system ORDER BY u.first, s.id, u.bench`)
	if err != nil {
		return nil, l.wrap(err, "list systems")
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (x store.SystemSeen, err error) {
		var fields []byte
		if err := row.Scan(&x.System.ID, &fields, &x.Bench, &x.First, &x.Last, &x.Passes); err != nil {
			return x, err
		}
		x.First, x.Last = x.First.UTC(), x.Last.UTC()
		return x, json.Unmarshal(fields, &x.System.Fields)
	})
	return list, l.wrap(err, "list systems")
}

// Whole returns everything about the pass whose identity begins with prefix, as
// [store.Store.Whole].
func (l *Lab) Whole(ctx context.Context, prefix string) (a store.Arrival, err error) {
	k, err := l.find(ctx, prefix)
	if err != nil {
		return a, l.wrap(err, "read pass")
	}
	var x [4][]byte
	err = l.conn.QueryRow(ctx, `SELECT p.doc, a.frames, a.telemetry, coalesce(s.fields, '[]') FROM capd.passes p
		JOIN capd.archives a ON a.bench = p.bench AND a.id = p.id LEFT JOIN capd.systems s ON s.id = p.system
		WHERE p.bench = $1 AND p.id = $2`, k.bench, k.id).Scan(&x[0], &x[1], &x[2], &x[3])
	if err == nil {
		a, err = arrivalOf(x)
	}
	return a, l.wrap(err, "read pass")
}

func arrivalOf(x [4][]byte) (a store.Arrival, err error) {
	err = errors.Join(json.Unmarshal(x[0], &a.Pass), json.Unmarshal(x[3], &a.System.Fields))
	if err != nil {
		return a, err
	}
	a.System.ID = a.Pass.System
	if a.Frames, err = tables.DecodeFrames(x[1]); err != nil {
		return a, err
	}
	if x[2] != nil {
		a.Telemetry, err = tables.DecodeTelemetry(x[2])
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
