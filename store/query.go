package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"capd.example/record"
)

// Filter selects passes; a zero field asks for nothing. Texts may be patterns with *, ?
// and [set]; a text that a pass bears exactly matches too.
type Filter struct {
	Tags     map[string]string // all must match; "" asks for passes without the tag
	Verdicts []record.Verdict
	System   string    // beginning of a system's identity
	Since    time.Time // started at or after
	Until    time.Time // started before
	Bench    string
	Campaign string
	Limit    int // 0 for all
	Offset   int
	Newest   bool // newest first; else in order of time
}

// batch is how many passes are held in memory at once while a selection is walked.
const batch = 500

// Passes returns the selected passes with tags and findings.
func (s *Store) Passes(ctx context.Context, f Filter) (out []record.Pass, err error) {
	err = s.Each(ctx, f, func(p record.Pass) error {
		out = append(out, p)
		return nil
	})
	return out, err
}

// Each calls fn for every selected pass, in order, on one unchanging view of the store.
// It holds a bounded number of passes in memory and stops at fn's first error.
func (s *Store) Each(ctx context.Context, f Filter, fn func(record.Pass) error) error {
	err := s.read(ctx, func(tx *sql.Tx) error {
		numbers, err := selectPasses(ctx, tx, f)
		if err != nil {
			return err
		}
		for part := range slices.Chunk(numbers, batch) {
			passes, err := loadPasses(ctx, tx, part)
			if err != nil {
				return err
			}
			for _, p := range passes {
				if err := fn(p); err != nil {
					return err
				}
			}
		}
		return nil
	})
	return wrap(err, "read passes")
}

// Count returns how many passes a filter selects; limit and offset do not count.
func (s *Store) Count(ctx context.Context, f Filter) (n int, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		w, err := f.where(ctx, tx)
		if err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT count(*) FROM pass_rows p WHERE `+w.text(), w.args...).Scan(&n)
	})
	return n, wrap(err, "count passes")
}

func selectPasses(ctx context.Context, tx *sql.Tx, f Filter) ([]int64, error) {
	w, err := f.where(ctx, tx)
	if err != nil {
		return nil, err
	}
	order := "p.at, p.n"
	if f.Newest {
		order = "p.at DESC, p.n DESC"
	}
	limit := f.Limit
	if limit <= 0 {
		limit = -1
	}
	rows, err := tx.QueryContext(ctx, `SELECT p.n FROM pass_rows p WHERE `+w.text()+` ORDER BY `+order+` LIMIT ? OFFSET ?`, append(w.args, limit, max(f.Offset, 0))...)
	if err != nil {
		return nil, err
	}
	var out []int64
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			rows.Close()
			return nil, err
		}
		out = append(out, n)
	}
	return out, closeRows(rows)
}

// clause is a condition on passes p: text of our own and the user's values apart.
type clause struct {
	parts []string
	args  []any
}

func (c *clause) add(text string, args ...any) {
	c.parts, c.args = append(c.parts, text), append(c.args, args...)
}

func (c *clause) text() string {
	if len(c.parts) == 0 {
		return "1"
	}
	return strings.Join(c.parts, " AND ")
}

func (f Filter) where(ctx context.Context, tx *sql.Tx) (c clause, err error) {
	if len(f.Verdicts) > 0 {
		list, _ := json.Marshal(f.Verdicts)
		c.add(`p.verdict IN (SELECT value FROM json_each(?))`, string(list))
	}
	if f.System != "" {
		c.add(`p.system IN (SELECT n FROM system_rows WHERE substr(id, 1, length(?)) = ?)`, f.System, f.System)
	}
	if !f.Since.IsZero() {
		c.add(`p.at >= ?`, stamp(f.Since))
	}
	if !f.Until.IsZero() {
		c.add(`p.at < ?`, stamp(f.Until))
	}
	if f.Bench != "" {
		c.add(match("p.bench", f.Bench), matchArgs(f.Bench)...)
	}
	tags := map[string]string{}
	for name, value := range f.Tags {
		tags[name] = value
	}
	if f.Campaign != "" {
		if v, both := tags[record.TagCampaign]; both && v != f.Campaign {
			c.add("0")
		}
		tags[record.TagCampaign] = f.Campaign
	}
	return c, c.addTags(ctx, tx, tags)
}

// match compares a column with a text that may be a pattern.
func match(column, text string) string {
	if strings.ContainsAny(text, "*?[") {
		return "(" + column + " = ? OR " + column + " GLOB ?)"
	}
	return column + " = ?"
}

func matchArgs(text string) []any {
	if strings.ContainsAny(text, "*?[") {
		return []any{text, text}
	}
	return []any{text}
}

// common is the number of passes from which on a tag is cheaper to look up pass by pass
// than to start from.
const common = 5000

// addTags adds one condition per tag. The rarest tag, where it is rare, is what the
// query starts from; "+" keeps the planner from starting from any other.
func (c *clause) addTags(ctx context.Context, tx *sql.Tx, tags map[string]string) error {
	names := make([]string, 0, len(tags))
	terms, size := map[string][]int64{}, map[string]int{}
	for name, value := range tags {
		names = append(names, name)
		if value == "" {
			continue
		}
		var err error
		if terms[name], err = termsLike(ctx, tx, name, value); err != nil {
			return err
		}
		n := 0
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 FROM tag_rows WHERE term IN (SELECT value FROM json_each(?)) LIMIT ?)`,
			jsonList(terms[name]), common).Scan(&n); err != nil {
			return err
		}
		size[name] = n
	}
	slices.SortFunc(names, func(a, b string) int {
		if d := size[a] - size[b]; d != 0 {
			return d
		}
		return strings.Compare(a, b)
	})
	started := false
	for _, name := range names {
		list := jsonList(terms[name])
		switch {
		case tags[name] == "":
			c.add(`NOT EXISTS (SELECT 1 FROM tag_rows t JOIN terms m ON m.n = t.term WHERE t.pass = p.n AND m.name = ? AND m.value <> '')`, name)
		case !started && size[name] < common:
			c.add(`p.n IN (SELECT pass FROM tag_rows WHERE term IN (SELECT value FROM json_each(?)))`, list)
			started = true
		default:
			c.add(`EXISTS (SELECT 1 FROM tag_rows t WHERE t.pass = p.n AND t.term IN (SELECT value FROM json_each(?)))`, list)
		}
	}
	return nil
}

func termsLike(ctx context.Context, tx *sql.Tx, name, value string) ([]int64, error) {
	rows, err := tx.QueryContext(ctx, `SELECT n FROM terms WHERE name = ? AND `+match("value", value), append([]any{name}, matchArgs(value)...)...)
	if err != nil {
		return nil, err
	}
	out := []int64{}
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			rows.Close()
			return nil, err
		}
		out = append(out, n)
	}
	return out, closeRows(rows)
}

// Pass returns the pass whose identity begins with prefix: [ErrNotFound] or
// [ErrAmbiguous] where that is not one.
func (s *Store) Pass(ctx context.Context, prefix string) (p record.Pass, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := keyOf(ctx, tx, prefix)
		if err != nil {
			return err
		}
		p, err = loadPass(ctx, tx, k.n)
		return err
	})
	return p, wrap(err, "read pass")
}

// Frames returns the frame times of the current revision of a pass.
func (s *Store) Frames(ctx context.Context, id string) (f record.Frames, err error) {
	blob, _, err := s.archive(ctx, id, "frames")
	if err == nil {
		f, err = DecodeFrames(blob)
		err = damaged(err)
	}
	return f, wrap(err, "frame times of pass %s", id)
}

// Telemetry returns the samples of a pass, nil where none were taken.
func (s *Store) Telemetry(ctx context.Context, id string) (t *record.Telemetry, err error) {
	blob, there, err := s.archive(ctx, id, "telemetry")
	if err == nil && there {
		t, err = DecodeTelemetry(blob)
		err = damaged(err)
	}
	return t, wrap(err, "telemetry of pass %s", id)
}

// Log returns the bytes of the log of a pass, nil where they were not kept.
func (s *Store) Log(ctx context.Context, id string) (log []byte, err error) {
	blob, there, err := s.archive(ctx, id, "log")
	if err == nil && there {
		log, err = unpack(logVersion, blob)
		err = damaged(err)
	}
	return log, wrap(err, "log of pass %s", id)
}

func damaged(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w: %w", ErrCorrupt, err)
}

// archive reads one column of archives and whether it holds anything; its name is never
// the user's.
func (s *Store) archive(ctx context.Context, id, column string) (blob []byte, there bool, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := keyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT x.`+column+`, x.`+column+` IS NOT NULL FROM revisions r JOIN archives x ON x.revision = r.n WHERE r.pass = ? AND r.revision = ?`,
			k.n, k.revision).Scan(&blob, &there)
	})
	return blob, there, err
}

// Evidence returns what was stored about a pass as validators see it, without
// expectation and earlier passes.
func (s *Store) Evidence(ctx context.Context, id string) (e record.Evidence, err error) {
	if e.Pass, err = s.Pass(ctx, id); err != nil {
		return e, err
	}
	if e.Frames, err = s.Frames(ctx, e.Pass.ID); err != nil {
		return e, err
	}
	if e.Telemetry, err = s.Telemetry(ctx, e.Pass.ID); err != nil {
		e.Telemetry, e.TelemetryWhy = nil, err.Error()
	}
	if e.Pass.System != "" {
		e.System, err = s.System(ctx, e.Pass.System)
	}
	return e, err
}
