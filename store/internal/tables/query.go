package tables

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"modernc.org/sqlite"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
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
	Benches  []string // any of these, by their whole names; none for all
	Campaign string
	Limit    int // 0 for all
	Offset   int
	Newest   bool // newest first; else in order of time
}

// Batch is how many passes are held in memory at once while a selection is walked.
const Batch = 500

// SelectPasses finds the numbers of the selected passes in order. A page is looked for in
// one of three ways: where some condition holds for few passes only, those are fetched
// and sorted; else the passes are walked in order of time until the page is full; and
// where that has led too far without filling it, the rarest condition is used after all,
// unless it is the one that is walked: then there is no other way, and the walk goes on to
// the end without a stop to think.
func SelectPasses(ctx context.Context, tx *sql.Tx, f Filter) ([]int64, error) {
	p, err := f.Plan(ctx, tx)
	if err != nil {
		return nil, err
	}
	rarest, walk := p.Rarest(), p.ordered()
	if rarest < 0 {
		rarest = walk
	}
	if f.Limit <= 0 || rarest == walk || p.parts[rarest].cost() < few {
		return p.run(ctx, tx, f, rarest)
	}
	found, err := p.walk(ctx, tx, f, walk, 0, far)
	if err == nil && len(found) > 0 && len(found) < f.Limit && len(found) >= f.Limit/8 {
		rest := f // it cannot be far any more
		rest.Limit, rest.Offset = f.Limit-len(found), 0
		var more []int64
		more, err = p.walk(ctx, tx, rest, walk, far, 9*far)
		found = append(found, more...)
	}
	if err != nil || len(found) == f.Limit {
		return found, err
	}
	return p.run(ctx, tx, f, rarest)
}

// Bounds of the three ways of [selectPasses], in passes; found by measuring a store of a
// million.
const (
	few  = 4_000  // so many are fetched and sorted without further thought
	far  = 8_000  // so many are walked before another way is tried
	most = 6_000  // sizes are not counted beyond
	long = 12_000 // so many cells are listed rather than looked up one by one
)

// condition is one thing that a filter asks for. The text is ours, the user's values are
// apart. Where an index serves it, indexed is the same condition in a form that uses it,
// count selects a row per pass that it holds for and size is their number, counted up to
// most; walk says that this index yields them in order of time.
type condition struct {
	test, indexed, count string
	args                 []any
	size                 int
	cells                string // the condition on cell_rows c, where it is about them
	walk                 bool
	time                 bool // on the time alone, which every walk is in order of
	fetched              bool // the passes themselves must be fetched, the index does not tell enough
}

// cost is the size in passes that an index tells everything about. Passes that must be
// fetched and are too many to be counted are the last resort.
func (c condition) cost() int {
	switch {
	case c.fetched && c.size >= most:
		return 20 * most
	case c.fetched:
		return 3 * c.size
	}
	return c.size
}

// plan is a filter as conditions on pass_rows p.
type plan struct{ parts []condition }

// Rarest returns the index-served condition that costs least, -1 for none.
func (p plan) Rarest() int {
	best := -1
	for i, c := range p.parts {
		if c.indexed != "" && (best < 0 || c.cost() < p.parts[best].cost()) {
			best = i
		}
	}
	return best
}

// ordered returns the rarest condition whose index yields passes in order of time.
func (p plan) ordered() int {
	best := -1
	for i, c := range p.parts {
		if c.walk && (best < 0 || c.size < p.parts[best].size) {
			best = i
		}
	}
	return best
}

// From joins all conditions; only the chosen one may use its index.
func (p plan) From(chosen int) (text string, args []any) {
	return p.where(chosen, func(int, condition) bool { return true })
}

func (p plan) where(chosen int, wanted func(int, condition) bool) (text string, args []any) {
	var parts []string
	for i, c := range p.parts {
		if !wanted(i, c) {
			continue
		}
		if i == chosen {
			parts = append(parts, c.indexed)
		} else {
			parts = append(parts, c.test)
		}
		args = append(args, c.args...)
	}
	if len(parts) == 0 {
		return "1", nil
	}
	return strings.Join(parts, " AND "), args
}

func (p plan) run(ctx context.Context, tx *sql.Tx, f Filter, chosen int) ([]int64, error) {
	text, args := p.From(chosen)
	limit := f.Limit
	if limit <= 0 {
		limit = -1
	}
	return sqlbase.NumbersOf(ctx, tx, `SELECT p.n FROM pass_rows p WHERE `+text+order(f)+` LIMIT ? OFFSET ?`,
		append(args, limit, max(f.Offset, 0))...)
}

// walk tests so many passes at most in order of time, those of the chosen condition or all,
// after skipping some, and stops as soon as the page is full. The inner query names all that the indexes in
// order of time hold, so that no pass is fetched; the database yields its rows one by one.
func (p plan) walk(ctx context.Context, tx *sql.Tx, f Filter, chosen, skip, far int) ([]int64, error) {
	first := func(i int, c condition) bool { return i == chosen || c.time }
	inner, args := p.where(chosen, first)
	outer, more := p.where(-1, func(i int, c condition) bool { return !first(i, c) })
	args = append(append(args, far, skip), more...)
	return sqlbase.NumbersOf(ctx, tx, `SELECT p.n FROM (SELECT p.n, p.at, p.cell, p.verdict, p.campaign, p.bench, p.system FROM pass_rows p WHERE `+inner+order(f)+` LIMIT ? OFFSET ?) p
		WHERE `+outer+` LIMIT ? OFFSET ?`, append(args, f.Limit, max(f.Offset, 0))...)
}

func order(f Filter) string {
	if f.Newest {
		return ` ORDER BY p.at DESC, p.n DESC`
	}
	return ` ORDER BY p.at, p.n`
}

func (f Filter) Plan(ctx context.Context, tx *sql.Tx) (p plan, err error) {
	tags := maps.Clone(f.Tags)
	if f.Campaign != "" {
		if tags == nil {
			tags = map[string]string{}
		}
		if v, both := tags[record.TagCampaign]; both && v != f.Campaign {
			p.parts = append(p.parts, condition{test: "0"})
		}
		tags[record.TagCampaign] = f.Campaign
	}
	p.times(f)
	p.column("p.bench", f.Bench, f.Bench == "")
	if len(f.Benches) > 0 {
		p.list("p.bench", f.Benches)
	}
	if v, asked := tags[record.TagCampaign]; asked {
		p.column("p.campaign", v, false)
		delete(tags, record.TagCampaign)
	}
	if len(f.Verdicts) > 0 {
		verdicts := make([]string, len(f.Verdicts))
		for i, v := range f.Verdicts {
			verdicts[i] = string(v)
		}
		p.list("p.verdict", verdicts)
	}
	if f.System != "" {
		const in = `p.system IN (SELECT n FROM system_rows WHERE substr(id, 1, length(?)) = ?)`
		p.parts = append(p.parts, condition{test: "+" + in, indexed: in, args: []any{f.System, f.System}})
	}
	p.cells(tags, Match, matchArgs)
	if err := p.otherTags(ctx, tx, tags); err != nil {
		return p, err
	}
	return p, p.count(ctx, tx)
}

func (p *plan) times(f Filter) {
	if !f.Since.IsZero() {
		p.parts = append(p.parts, condition{test: `p.at >= ?`, time: true, args: []any{sqlbase.Stamp(f.Since)}})
	}
	if !f.Until.IsZero() {
		p.parts = append(p.parts, condition{test: `p.at < ?`, time: true, args: []any{sqlbase.Stamp(f.Until)}})
	}
}

// list adds a condition that a column holds one of some values.
func (p *plan) list(name string, values []string) {
	if len(values) == 1 {
		p.parts = append(p.parts, condition{test: "+" + name + " = ?", indexed: name + " = ?",
			args: []any{values[0]}, walk: true})
		return
	}
	list, _ := json.Marshal(values) // texts always have a JSON form
	in := name + ` IN (SELECT value FROM json_each(?))`
	p.parts = append(p.parts, condition{test: "+" + in, indexed: in, args: []any{string(list)}})
}

// column adds a condition on a column that has an index of its own, followed by at.
func (p *plan) column(name, value string, skip bool) {
	switch {
	case skip:
	case isPattern(value):
		p.parts = append(p.parts, condition{test: Match("+"+name, value), args: matchArgs(value)})
	default:
		p.parts = append(p.parts, condition{test: "+" + name + " = ?", indexed: name + " = ?", args: []any{value},
			walk: true})
	}
}

// cells takes the usual factors out of tags and looks them up among the cells, of which
// there are far fewer than passes.
func (p *plan) cells(tags map[string]string, match func(column, text string) string,
	matchArgs func(text string) []any) {
	var texts []string
	var args []any
	for _, f := range record.CellFactors {
		if value, asked := tags[f]; asked {
			texts = append(texts, match("c."+f, value))
			args = append(args, matchArgs(value)...)
			delete(tags, f)
		}
	}
	if len(texts) > 0 {
		which := strings.Join(texts, " AND ")
		in := `p.cell IN (SELECT c.n FROM cell_rows c WHERE ` + which + `)`
		p.parts = append(p.parts, condition{test: "+" + in, indexed: in, cells: which, args: args})
	}
}

const withoutTag = `NOT EXISTS (SELECT 1 FROM tag_rows t JOIN terms m ON m.n = t.term WHERE t.pass = p.n AND m.name = ? AND m.value <> '')`

func (p *plan) otherTags(ctx context.Context, tx *sql.Tx, tags map[string]string) error {
	for _, name := range slices.Sorted(maps.Keys(tags)) {
		value := tags[name]
		if value == "" {
			p.parts = append(p.parts, condition{test: withoutTag, args: []any{name}})
			continue
		}
		terms, err := sqlbase.NumbersOf(ctx, tx, `SELECT n FROM terms WHERE name = ? AND `+Match("value", value),
			append([]any{name}, matchArgs(value)...)...)
		if err != nil {
			return err
		}
		in := strings.Trim(sqlbase.JSONList(terms), "[]")
		p.parts = append(p.parts, condition{
			test:    `EXISTS (SELECT 1 FROM tag_rows t WHERE t.pass = p.n AND t.term IN (` + in + `))`,
			indexed: `p.n IN (SELECT pass FROM tag_rows WHERE term IN (` + in + `))`,
			count:   `SELECT 1 FROM tag_rows WHERE term IN (` + in + `)`, fetched: true,
		})
	}
	return nil
}

// count finds how many passes each index-served condition holds for, as far as it matters.
func (p *plan) count(ctx context.Context, tx *sql.Tx) error {
	for i, c := range p.parts {
		if c.indexed == "" {
			continue
		}
		if c.cells != "" {
			if err := p.countCells(ctx, tx, i); err != nil {
				return err
			}
			continue
		}
		// What is larger than the smallest so far is of no interest.
		limit := most
		if r := p.rarestBefore(i); r >= 0 {
			limit = min(limit, p.parts[r].cost())
		}
		rows := c.count
		if rows == "" {
			rows = `SELECT 1 FROM pass_rows p WHERE ` + c.indexed
		}
		var err error
		if p.parts[i].size, err = countUpTo(ctx, tx, rows, c.args, limit); err != nil {
			return err
		}
	}
	return nil
}

// countCells estimates the passes of many cells from their number and counts those of few.
// Many cells are looked up pass by pass rather than listed.
func (p *plan) countCells(ctx context.Context, tx *sql.Tx, i int) error {
	c := &p.parts[i]
	n, err := countUpTo(ctx, tx, `SELECT 1 FROM cell_rows c WHERE `+c.cells, c.args, long)
	if err != nil {
		return err
	}
	if n == long {
		c.test = `EXISTS (SELECT 1 FROM cell_rows c WHERE c.n = p.cell AND ` + c.cells + `)`
	}
	var passes, cells int
	err = tx.QueryRowContext(ctx,
		`SELECT (SELECT coalesce(max(n), 0) FROM pass_rows), (SELECT coalesce(max(n), 1) FROM cell_rows)`).
		Scan(&passes, &cells)
	if c.size = n * passes / max(cells, 1); err != nil || c.size >= few {
		return err
	}
	c.size, err = countUpTo(ctx, tx, `SELECT 1 FROM cell_rows c CROSS JOIN pass_rows p ON p.cell = c.n WHERE `+c.cells,
		c.args, most)
	return err
}

func countUpTo(ctx context.Context, tx *sql.Tx, rows string, args []any, limit int) (n int, err error) {
	err = tx.QueryRowContext(ctx, `SELECT count(*) FROM (`+rows+` LIMIT ?)`, append(slices.Clone(args), limit)...).Scan(&n)
	return n, err
}

func (p *plan) rarestBefore(i int) int { return plan{p.parts[:i]}.Rarest() }

func isPattern(text string) bool { return strings.ContainsAny(text, "*?[") }

// Match compares a column with a text that may be a pattern.
func Match(column, text string) string {
	if isPattern(text) {
		return "(" + column + " = ? OR " + column + " GLOB ?)"
	}
	return column + " = ?"
}

func matchArgs(text string) []any {
	if isPattern(text) {
		return []any{text, text}
	}
	return []any{text}
}

// Damaged marks what is wrong with something stored as damage; what the database itself
// says of its reading it stays.
func Damaged(err error) error {
	if e := (*sqlite.Error)(nil); err == nil || errors.As(err, &e) {
		return err
	}
	return fmt.Errorf("%w: %w", sqlbase.ErrCorrupt, err)
}
