package store

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"maps"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Problem is something damaged in a store.
type Problem struct {
	Pass string `json:"pass,omitempty"` // "" where it concerns the file as a whole
	Log  string `json:"log,omitempty"`  // where the pass's log was, to read it again
	What string `json:"what"`
	// Copied says that [Store.Salvage] copied the pass all the same; What tells what became of
	// the damaged part.
	Copied bool `json:"copied,omitempty"`
	// Unread says that the disk or the system refused to read it, again and again: what is
	// stored may be whole.
	Unread bool `json:"unread,omitempty"`
}

// tries is how often a part is looked at that does not look whole: what a disk did not give
// once looks like damage.
const tries = 2

func (s *Store) problemOf(err error, about string) Problem {
	return Problem{What: about + s.explain(err).Error(), Unread: sqlbase.OfTheMoment(err)}
}

// Report is the outcome of [Store.Verify].
type Report struct {
	Passes   int       `json:"passes"`
	Whole    int       `json:"whole"` // passes that are as they were stored
	Problems []Problem `json:"problems"`
}

// Verify reads everything: the pages of the file, the tables and views, the references
// between rows, and each pass with its frame times, telemetry, log and system, against its
// digests and the figures of its frame times. Damage is in the report, not an error; an
// error means that the store could not be looked at.
func (s *Store) Verify(ctx context.Context) (r Report, err error) {
	r.Problems = s.file(ctx)
	numbers, err := s.numbers(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return r, ctx.Err()
		}
		r.Problems = append(r.Problems, s.problemOf(err, "the list of passes cannot be read: "))
	} else {
		err = s.verify(ctx, numbers, &r)
	}
	s.doubt(&r)
	return r, err
}

// doubt looks whether the disk gives the file at all, where something is wrong with it.
func (s *Store) doubt(r *Report) {
	if len(r.Problems) == 0 {
		return
	}
	f, err := os.Open(s.path)
	if err == nil {
		_, err = io.Copy(io.Discard, f)
		f.Close()
	}
	if err == nil {
		return
	}
	for i := range r.Problems {
		r.Problems[i].Unread = true
	}
	r.Problems = append([]Problem{{What: "the file cannot be read: " + err.Error(), Unread: true}}, r.Problems...)
}

// VerifyPart verifies up to limit passes after the pass number after, 0 for the first, and
// says after which number to go on; where none is left it verifies the file as a whole and
// returns 0. So a store can be verified a little at a time.
func (s *Store) VerifyPart(ctx context.Context, after int64, limit int) (r Report, next int64, err error) {
	var numbers []int64
	err = s.read(ctx, func(tx *sql.Tx) error {
		numbers, err = sqlbase.NumbersOf(ctx, tx,
			`SELECT n FROM pass_rows NOT INDEXED WHERE n > ?1 UNION SELECT pass FROM digests WHERE pass > ?1 ORDER BY 1 LIMIT ?2`, after, limit)
		return err
	})
	switch {
	case err != nil:
		return r, 0, sqlbase.Wrap(err, "verify the store")
	case len(numbers) == 0:
		r.Problems = s.file(ctx)
		s.doubt(&r)
		return r, 0, sqlbase.Wrap(ctx.Err(), "verify the store")
	}
	err = s.verify(ctx, numbers, &r)
	s.doubt(&r)
	return r, numbers[len(numbers)-1], sqlbase.Wrap(err, "verify the store")
}

func (s *Store) verify(ctx context.Context, numbers []int64, r *Report) error {
	r.Passes = len(numbers)
	for _, n := range numbers {
		x := s.examine(ctx, n)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if p, damaged := x.problem(); damaged {
			r.Problems = append(r.Problems, p)
		} else {
			r.Whole++
		}
	}
	return nil
}

// file verifies what does not belong to one pass.
func (s *Store) file(ctx context.Context) (out []Problem) {
	for range tries {
		out = s.fileOnce(ctx)
		if len(out) == 0 || s.cut != "" {
			break
		}
	}
	return out
}

func (s *Store) fileOnce(ctx context.Context) (out []Problem) {
	if s.cut != "" { // the database's own check would name every page that is not there
		return []Problem{{What: s.cut}}
	}
	out = append(s.pages(ctx), s.schemaProblems(ctx)...)
	if !s.bare {
		out = append(out, s.keptFigures(ctx)...)
	}
	if err := s.DamagedNotes(ctx); err != nil {
		out = append(out, s.problemOf(err, ""))
	}
	return out
}

// pages runs the database's own checks.
func (s *Store) pages(ctx context.Context) (out []Problem) {
	for _, check := range []string{"PRAGMA integrity_check(50)", "PRAGMA foreign_key_check"} {
		rows, err := s.db.QueryContext(ctx, check)
		if err != nil {
			out = append(out, s.problemOf(err, ""))
			continue
		}
		columns, _ := rows.Columns()
		var found []string
		for rows.Next() {
			values := make([]sql.NullString, len(columns))
			to := make([]any, len(columns))
			for i := range values {
				to[i] = &values[i]
			}
			if err := rows.Scan(to...); err != nil {
				break
			}
			if what := values[0].String; len(columns) > 1 {
				found = append(found, "a row of "+what+" refers to one that is missing")
			} else if what != "ok" {
				found = append(found, what)
			}
		}
		if err := sqlbase.CloseRows(rows); err != nil {
			out = append(out, s.problemOf(err, ""))
		}
		for _, what := range found {
			out = append(out, s.ofIndex(ctx, what))
		}
	}
	return out
}

// missingRow is how the database reports a row that an index does not hold as it is.
var missingRow = regexp.MustCompile(`^row (\d+) missing from index (\w+)$`)

// passOfRow finds the pass of row ?1 of a table. The rows of tag_rows have no number, so
// the database counts them in order of their key.
var passOfRow = map[string]string{
	"pass_rows":   `SELECT ?1`,
	"revisions":   `SELECT pass FROM revisions NOT INDEXED WHERE n = ?1`,
	"judgements":  `SELECT pass FROM judgements NOT INDEXED WHERE n = ?1`,
	"tag_changes": `SELECT pass FROM tag_changes NOT INDEXED WHERE n = ?1`,
	"touches":     `SELECT pass FROM touches NOT INDEXED WHERE n = ?1`,
	"tag_rows":    `SELECT pass FROM tag_rows ORDER BY pass, term LIMIT 1 OFFSET ?1 - 1`,
}

// ofIndex names the pass that a row of an index belongs to.
func (s *Store) ofIndex(ctx context.Context, what string) Problem {
	m := missingRow.FindStringSubmatch(what)
	if m == nil {
		return Problem{What: what}
	}
	var table string
	s.db.QueryRowContext(ctx, `SELECT tbl_name FROM sqlite_schema WHERE type = 'index' AND name = ?`, m[2]).Scan(&table)
	query, ours := passOfRow[table]
	row, err := strconv.ParseInt(m[1], 10, 64)
	if !ours || err != nil {
		return Problem{What: what}
	}
	var n int64
	if s.db.QueryRowContext(ctx, query, row).Scan(&n) != nil {
		return Problem{What: what}
	}
	p := s.named(ctx, n)
	p.What = fmt.Sprintf("row %d of %s does not stand in the index %s as it is", row, table, m[2])
	return p
}

// named returns what can still be told of a pass: its identity and where its log was.
func (s *Store) named(ctx context.Context, n int64) Problem {
	p := Problem{Pass: fmt.Sprintf("number %d", n)}
	var id, log string
	if s.db.QueryRowContext(ctx, `SELECT id, log FROM pass_rows NOT INDEXED WHERE n = ?`, n).Scan(&id, &log) == nil &&
		sqlbase.IsHex(id) {
		p.Pass, p.Log = id, log
		return p
	}
	var sha string
	if s.db.QueryRowContext(ctx, `SELECT sha256 FROM revisions WHERE pass = ? ORDER BY revision LIMIT 1`, n).
		Scan(&sha) == nil && sqlbase.IsHex(sha) {
		p.Pass = record.PassID(sha)
	}
	s.db.QueryRowContext(ctx,
		`SELECT f.path FROM revisions r JOIN files f ON f.sha256 = r.sha256 WHERE r.pass = ? ORDER BY r.revision DESC`, n).
		Scan(&p.Log)
	return p
}

// keptFigures compares what is kept of cells with their passes. What differs in the last
// digits only is alike: another version of the database may add up in another order.
func (s *Store) keptFigures(ctx context.Context) []Problem {
	where := "c.passes <> f.passes OR c.used IS NOT f.used"
	for _, figure := range []string{"avg_fps", "low1_fps"} {
		for _, name := range []string{figure, figure + "_sd"} {
			where += fmt.Sprintf(" OR coalesce(abs(c.%[1]s - f.%[1]s) > 1e-9 * abs(f.%[2]s), (c.%[1]s IS NULL) <> (f.%[1]s IS NULL))", name, figure)
		}
	}
	var n int
	err := s.db.QueryRowContext(ctx,
		"SELECT count(*) FROM cell_rows c JOIN cell_figures f ON f.n = c.n WHERE c.passes IS NOT NULL AND ("+where+")").
		Scan(&n)
	switch {
	case err != nil:
		return []Problem{s.problemOf(err, "the kept figures of cells: ")}
	case n > 0:
		return []Problem{{What: fmt.Sprintf("the kept figures of %s are not those of their passes", record.Count(n, "cell"))}}
	}
	return nil
}

// numberSources list passes by whichever way is still readable.
var numberSources = []string{
	"SELECT n FROM pass_rows NOT INDEXED ORDER BY n", "SELECT n FROM pass_rows NOT INDEXED ORDER BY n DESC",
	"SELECT n FROM pass_rows INDEXED BY passes_at", "SELECT pass FROM revisions NOT INDEXED",
	"SELECT pass FROM digests ORDER BY pass", "SELECT pass FROM digests ORDER BY pass DESC",
	"SELECT pass FROM touches NOT INDEXED",
}

// numbers lists all passes: those of the table and those that left a trace elsewhere.
// Where a source ends in damage, every number up to the highest that is known is tried.
func (s *Store) numbers(ctx context.Context) ([]int64, error) {
	found := map[int64]bool{}
	var first error
	for i, query := range numberSources {
		err := s.eachNumber(ctx, query, func(n int64) { found[n] = n > 0 })
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err == nil && i == 0 && !s.damaged {
			// The rows can all be read; what the digests know besides was lost.
			err = s.eachNumber(ctx, "SELECT pass FROM digests", func(n int64) { found[n] = n > 0 })
			if err == nil {
				return slices.Sorted(maps.Keys(found)), nil
			}
		}
		if first == nil {
			first = err
		}
	}
	if len(found) == 0 {
		return nil, first
	}
	if first != nil {
		s.probe(ctx, found)
	}
	return slices.Sorted(maps.Keys(found)), ctx.Err()
}

func (s *Store) eachNumber(ctx context.Context, query string, fn func(n int64)) error {
	rows, err := s.db.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			rows.Close()
			return err
		}
		fn(n)
	}
	return sqlbase.CloseRows(rows)
}

// probe asks for passes one by one, which needs no neighbour to be readable.
func (s *Store) probe(ctx context.Context, found map[int64]bool) {
	const most = 10_000_000 // a damaged number must not make this endless
	highest := slices.Max(slices.Collect(maps.Keys(found)))
	for n := int64(1); n <= min(highest, most) && ctx.Err() == nil; n++ {
		var one int
		if !found[n] && s.db.QueryRowContext(ctx, `SELECT 1 FROM pass_rows NOT INDEXED WHERE n = ?`, n).Scan(&one) == nil {
			found[n] = true
		}
	}
}

// examined is a pass as it is stored and what is wrong with it.
type examined struct {
	a       Arrival
	came    string // from elsewhere, when
	notes   tables.RetentionNotes
	who     Problem  // its name
	damage  []string // for people; empty where it is whole
	moment  bool     // some of it could not be read just now
	lost    bool     // it cannot be copied
	figures bool     // its figures are not those of its frame times, or not as they were stored
	verdict bool     // its verdict or findings are not as they were stored
}

func (x *examined) problem() (Problem, bool) {
	p := x.who
	p.What, p.Unread = strings.Join(x.damage, "; "), x.moment
	return p, len(x.damage) > 0
}

func (x *examined) note(lost bool, format string, args ...any) {
	x.damage = append(x.damage, fmt.Sprintf(format, args...))
	x.lost = x.lost || lost
}

// examine reads all of a pass, on one view of the store, and compares it with its digests
// and its figures with its frame times.
func (s *Store) examine(ctx context.Context, n int64) (x examined) {
	for range tries {
		if x = s.examineOnce(ctx, n); len(x.damage) == 0 || ctx.Err() != nil {
			break
		}
	}
	return x
}

func (s *Store) examineOnce(ctx context.Context, n int64) (x examined) {
	err := s.read(ctx, func(tx *sql.Tx) (err error) {
		x.a, err = tables.WholePass(ctx, tx, n)
		if s.bare {
			return err
		}
		x.came, _ = tables.AdoptedAt(ctx, tx, n) // a group that was changed says what is wrong with it
		x.notes, _ = tables.RetentionOf(ctx, tx, n)
		x.compareGroups(ctx, tx, n)
		return err
	})
	if x.who = (Problem{Pass: x.a.Pass.ID, Log: x.a.Pass.Log}); !sqlbase.IsHex(x.a.Pass.ID) {
		x.who = s.named(ctx, n)
	}
	if err != nil {
		x.note(true, "%s", s.explain(err))
		x.moment = x.moment || sqlbase.OfTheMoment(err)
	} else {
		x.compareFigures()
	}
	return x
}

// compareGroups compares the groups of a pass with their digests, one by one, so that a
// table that cannot be read says nothing about the others.
func (x *examined) compareGroups(ctx context.Context, tx *sql.Tx, n int64) {
	kept, err := tables.KeptDigests(ctx, tx, []int64{n})
	if _, has := kept[n]; !has || err != nil {
		x.note(true, "its digest cannot be read")
		x.moment = sqlbase.OfTheMoment(err)
		return
	}
	for _, g := range tables.EveryGroup {
		now, err := tables.Digests(ctx, tx, []int64{n}, []int{g})
		if err == nil && now[n][g] == kept[n][g] {
			continue
		}
		lost := false
		switch g {
		case tables.GroupFigures:
			x.figures = true
		case tables.GroupVerdict:
			x.verdict = true
		case tables.GroupRetention:
			x.notes = tables.RetentionNotes{}
		case tables.GroupCell: // a copy takes it from the tags
		default:
			lost = true
		}
		if err != nil {
			x.note(lost, "%s cannot be read (%s)", tables.GroupNames[g], err)
			x.moment = x.moment || sqlbase.OfTheMoment(err)
		} else {
			x.note(lost, "%s changed since it was stored", tables.GroupNames[g])
		}
	}
}

// compareFigures computes the figures from the frame times. What differs in the last
// digits only is alike: another processor may round otherwise.
func (x *examined) compareFigures() {
	if x.a.Frames.MS == nil {
		return
	}
	m, err := metrics.Compute(x.a.Frames)
	if err != nil {
		x.note(true, "its frame times give no figures: %s", err)
		return
	}
	if what := metrics.Differ(x.a.Pass.Metrics, m); what != "" {
		x.figures = true
		x.note(false, "its figures are not those of its frame times: %s", what)
	}
	if x.figures {
		x.a.Pass.Metrics = m
	}
}

// Whole returns everything that is stored about a pass, as [Store.Adopt] takes it.
func (s *Store) Whole(ctx context.Context, id string) (a Arrival, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err == nil {
			a, err = tables.WholePass(ctx, tx, k.N)
		}
		return err
	})
	return a, sqlbase.Wrap(err, "read pass %s", id)
}
