package lab

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"capd.example/record"
	"capd.example/store"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Note names something that answers leave out, or take from one bench where another says
// otherwise.
type Note struct {
	Bench  string `json:"bench"`
	Pass   string `json:"id,omitempty"`
	System string `json:"system,omitempty"`
	Why    string `json:"error"`
}

// maxNotes is how many are kept: whoever writes one wrong row may write a million.
const maxNotes = 1000

// notes are each kept once.
type notes struct {
	list []Note
	seen map[Note]bool
	more int
}

func (n *notes) add(x Note) {
	switch {
	case n.seen[x]:
		return
	case len(n.list) == maxNotes:
		n.more++
		return
	case n.seen == nil:
		n.seen = map[Note]bool{}
	}
	n.seen[x] = true
	n.list = append(n.list, x)
}

// Notes lists what the answers so far have left out or decided; more counts those beyond the
// first thousand.
func (l *Lab) Notes() (list []Note, more int) { return l.left.list, l.left.more }

// AsSent has the lab take the figures of passes as the benches sent them: they are not
// computed again from the frame times, which saves most of the time and of the network.
func (l *Lab) AsSent() { l.asSent = true }

// Each calls fn for every selected pass of all benches, in order, as [store.Store.Each]. A
// pass that several of the filter's benches hold comes once, from the one that sent it first,
// or whose name comes first where that was another. A row that
// is not what its columns and its frame times say is left out: see [Lab.Notes].
func (l *Lab) Each(ctx context.Context, f store.Filter, fn func(record.Pass) error) error {
	var stopped error
	given := false
	err := l.read(ctx, "read passes", func(tx pgx.Tx) error {
		err := l.walk(ctx, tx, f, func(p record.Pass) error {
			given = true
			stopped = fn(p)
			return stopped
		})
		if err != nil && given {
			return final{err} // what was given is not given twice
		}
		return err
	})
	if stopped != nil {
		return stopped
	}
	return err
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

// place is where a row stands in the order of answers.
type place struct {
	at        pgtype.Timestamptz
	bench, id string
}

// page is how many rows are asked for at once, and pageBytes how much they may hold: a
// statement stays short whatever is selected (conventions: 32 MiB at 5 Mbit/s are within the
// minute that a statement may take).
const (
	page      = 500
	pageBytes = 32 << 20
)

func (l *Lab) walk(ctx context.Context, tx pgx.Tx, f store.Filter, fn func(record.Pass) error) error {
	condition, args := where(f)
	skip, left := f.Offset, f.Limit
	var last *place
	for {
		want := page
		if f.Limit > 0 {
			want = min(page, skip+left)
		}
		first, end, ids, cut, err := l.places(ctx, tx, condition, args, f.Newest, last, want)
		if err != nil || len(ids) == 0 {
			return err
		}
		stands, err := l.standing(ctx, tx, f, ids)
		if err != nil {
			return err
		}
		if f.Newest {
			first, end = end, first
		}
		n := len(args)
		err = l.rows(ctx, tx, fmt.Sprintf(`%s AND (p.at, p.bench, p.id) >= ($%d, $%d, $%d) AND (p.at, p.bench, p.id) <= ($%d, $%d, $%d) %s`,
			condition, n+1, n+2, n+3, n+4, n+5, n+6, order(f.Newest)),
			append(args[:n:n], first.at, first.bench, first.id, end.at, end.bench, end.id),
			func(x *stored, a store.Arrival, why error) error {
				if why != nil {
					l.left.add(Note{Bench: x.bench, Pass: x.row.texts[0], Why: why.Error()})
					return nil
				}
				if bench, shared := stands[a.Pass.ID+a.Pass.SHA256]; shared && bench != x.bench {
					return nil
				}
				if skip > 0 {
					skip--
					return nil
				}
				if f.Limit > 0 {
					if left == 0 {
						return nil
					}
					left--
				}
				return fn(a.Pass)
			})
		if err != nil || len(ids) < want && !cut || f.Limit > 0 && left == 0 {
			return err
		}
		if f.Newest {
			first, end = end, first
		}
		last = &end
	}
}

func order(newest bool) string {
	if newest {
		return "ORDER BY p.at DESC, p.bench DESC, p.id DESC"
	}
	return "ORDER BY p.at, p.bench, p.id"
}

// places returns the first and the last of the next rows after last, and their identities:
// limit rows at most, or fewer where they hold too much, which cut tells.
func (l *Lab) places(ctx context.Context, tx pgx.Tx, condition string, args []any, newest bool, last *place,
	limit int) (first, end place, ids []string, cut bool, err error) {
	if last != nil {
		n, beyond := len(args), ">"
		if newest {
			beyond = "<"
		}
		condition += fmt.Sprintf(" AND (p.at, p.bench, p.id) %s ($%d, $%d, $%d)", beyond, n+1, n+2, n+3)
		args = append(args[:n:n], last.at, last.bench, last.id)
	}
	holds, beside := "octet_length(p.doc)", ""
	if !l.asSent {
		holds += " + coalesce(octet_length(a.frames), 0)"
		beside = " LEFT JOIN capd.archives a ON a.bench = p.bench AND a.id = p.id"
	}
	rows, err := tx.Query(ctx, fmt.Sprintf("SELECT p.at, p.bench, p.id, %s FROM capd.passes p%s WHERE %s %s LIMIT %d",
		holds, beside, condition, order(newest), limit), args...)
	if err != nil {
		return first, end, nil, false, err
	}
	defer rows.Close()
	all := 0
	for rows.Next() {
		var next place
		var bytes int
		if err := rows.Scan(&next.at, &next.bench, &next.id, &bytes); err != nil {
			return first, end, nil, false, err
		}
		if cut = len(ids) > 0 && all+bytes > l.pageBytes; cut {
			break
		}
		all += bytes
		if len(ids) == 0 {
			first = next
		}
		end, ids = next, append(ids, next.id)
	}
	rows.Close()
	return first, end, ids, cut, rows.Err()
}

// rows reads the rows that fit a condition and gives each to fn with the pass that it holds,
// or with why it holds none. The passes are worked out on all cores, and given in order.
func (l *Lab) rows(ctx context.Context, tx pgx.Tx, condition string, args []any,
	fn func(*stored, store.Arrival, error) error) error {
	frames := "a.frames"
	if l.asSent {
		frames = "NULL::bytea"
	}
	rows, err := tx.Query(ctx, "SELECT "+fmt.Sprintf(storedColumns, frames)+
		" FROM capd.passes p LEFT JOIN capd.archives a ON a.bench = p.bench AND a.id = p.id WHERE "+condition, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	var batch []*stored
	size := 0
	flush := func() error {
		defer func() { batch, size = batch[:0], 0 }()
		return l.arrivals(batch, fn)
	}
	for rows.Next() {
		x := new(stored)
		if err := rows.Scan(x.targets()...); err != nil {
			return err
		}
		batch = append(batch, x)
		if size += len(x.doc) + len(x.frames) + len(x.tags); len(batch) == 64 || size > maxFrames {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	return flush()
}

func (l *Lab) arrivals(batch []*stored, fn func(*stored, store.Arrival, error) error) error {
	type outcome struct {
		a   store.Arrival
		err error
	}
	out := make([]outcome, len(batch))
	var all sync.WaitGroup
	workers := min(runtime.GOMAXPROCS(0), len(batch))
	for w := range workers {
		all.Go(func() {
			for i := w; i < len(batch); i += workers {
				out[i].a, out[i].err = batch[i].arrival(l.asSent)
			}
		})
	}
	all.Wait()
	for i, x := range batch {
		if err := fn(x, out[i].a, out[i].err); err != nil {
			return err
		}
	}
	return nil
}

// amongst keeps of a filter which benches it names: a pass that several of them hold stands once.
func amongst(f store.Filter) store.Filter { return store.Filter{Bench: f.Bench, Benches: f.Benches} }

// oneBench reports whether a filter names one bench, which holds no pass twice.
func oneBench(f store.Filter) bool {
	return len(f.Benches) == 1 || f.Bench != "" && !strings.ContainsAny(f.Bench, "*?[")
}

// standing says of each of these identities that several of the filter's benches hold with
// the same hash which bench's pass stands for all, by identity and hash, and notes those that
// were sent otherwise.
func (l *Lab) standing(ctx context.Context, tx pgx.Tx, f store.Filter, ids []string) (map[string]string, error) {
	if oneBench(f) {
		return nil, nil
	}
	condition, args := where(amongst(f), ids)
	condition += " AND p.id = ANY($1)"
	rows, err := tx.Query(ctx, `SELECT p.id FROM capd.passes p WHERE `+condition+` GROUP BY p.id, p.sha256 HAVING count(*) > 1`, args...)
	if err != nil {
		return nil, err
	}
	twice, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(twice) == 0 {
		return nil, err
	}
	copies, err := l.copies(ctx, tx, amongst(f), twice)
	if err != nil {
		return nil, err
	}
	groups := map[string][]held{}
	for _, c := range copies {
		if c.err == nil {
			k := c.Pass.ID + c.Pass.SHA256
			groups[k] = append(groups[k], c)
		}
	}
	out := map[string]string{}
	for k, list := range groups {
		out[k] = l.choose(list).bench
	}
	return out, nil
}

// held is a pass as one bench sent it.
type held struct {
	store.Arrival
	id    string // as the row says
	bench string
	first bool  // this bench was the first to send the identity
	err   error // why its row is no pass
}

// copies returns what the filter's benches hold of these identities, in order of identity and
// bench.
func (l *Lab) copies(ctx context.Context, tx pgx.Tx, f store.Filter, ids []string) (out []held, err error) {
	rows, err := tx.Query(ctx, `SELECT id, bench FROM capd.firsts WHERE id = ANY($1)`, ids)
	if err != nil {
		return nil, err
	}
	first := map[string]string{}
	var id, bench string
	if _, err := pgx.ForEachRow(rows, []any{&id, &bench}, func() error { first[id] = bench; return nil }); err != nil {
		return nil, err
	}
	condition, args := where(f, ids)
	err = l.rows(ctx, tx, condition+" AND p.id = ANY($1) ORDER BY p.id, p.bench", args,
		func(x *stored, a store.Arrival, why error) error {
			out = append(out, held{a, x.row.texts[0], x.bench, first[x.row.texts[0]] == x.bench, why})
			return nil
		})
	return out, err
}

// choose returns the copy that stands for a pass, that of the bench that sent it first, and
// notes which others differ. Where nobody knows who was first, the name of the bench decides.
func (l *Lab) choose(list []held) held {
	best := list[0]
	for _, c := range list {
		if c.first {
			best = c
		}
	}
	for _, c := range list {
		if d := contrast(best.Arrival, c.Arrival); d != "" && c.bench != best.bench {
			first := ""
			if best.first {
				first = "first and "
			}
			l.left.add(Note{Bench: c.bench, Pass: c.Pass.ID, Why: fmt.Sprintf(
				"bench %s sent this pass %sotherwise, and the answer has that: here it has another %s", best.bench, first, d)})
		}
	}
	return best
}

// one returns the pass whose identity begins with prefix: [store.ErrNotFound] or
// [store.ErrAmbiguous] where that is not one, [store.ErrCorrupt] where its row is no pass.
func (l *Lab) one(ctx context.Context, tx pgx.Tx, prefix string) (held, error) {
	if !sqlbase.IsHex(prefix) {
		return held{}, fmt.Errorf("%w: %q", store.ErrNotFound, prefix)
	}
	// "g" sorts after every hexadecimal digit, so the range is served by the index.
	rows, err := tx.Query(ctx, `SELECT id FROM capd.passes WHERE id >= $1 AND id < $2 GROUP BY id ORDER BY id LIMIT 2`, prefix, prefix+"g")
	if err != nil {
		return held{}, err
	}
	found, err := pgx.CollectRows(rows, pgx.RowTo[string])
	switch {
	case err != nil:
		return held{}, err
	case len(found) == 0:
		return held{}, fmt.Errorf("%w: %q", store.ErrNotFound, prefix)
	case len(found) > 1 && found[0] != prefix:
		return held{}, fmt.Errorf("%w: %q: type more of it", store.ErrAmbiguous, prefix)
	}
	copies, err := l.copies(ctx, tx, store.Filter{}, found[:1])
	if err != nil {
		return held{}, err
	}
	return l.sound(copies, found[0])
}

// sound returns the copy of a pass that stands for all of those whose rows are passes.
func (l *Lab) sound(copies []held, id string) (held, error) {
	var sound []held
	for _, c := range copies {
		if c.err == nil {
			sound = append(sound, c)
		} else {
			l.left.add(Note{Bench: c.bench, Pass: id, Why: c.err.Error()})
		}
	}
	switch {
	case len(sound) > 0:
		return l.choose(sound), nil
	case len(copies) > 0:
		return held{}, fmt.Errorf("%w: pass %s of bench %s: %w", store.ErrCorrupt, id, copies[0].bench, copies[0].err)
	}
	return held{}, fmt.Errorf("%w: %q", store.ErrNotFound, id)
}

var factorColumns = map[string]string{
	record.TagProcessor: "p.cpu", record.TagGraphics: "p.gpu", record.TagGame: "p.game", record.TagScene: "p.scene",
	record.TagResolution: "p.resolution", record.TagPreset: "p.preset", record.TagCampaign: "p.campaign",
}

// where writes a filter with the user's values apart, behind those that are there already.
func where(f store.Filter, args ...any) (string, []any) {
	parts := []string{"true"}
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
			column = fmt.Sprintf("coalesce(p.tags ->> $%d, '')", len(args))
		}
		match(column, value)
	}
	if f.Campaign != "" {
		match("p.campaign", f.Campaign)
	}
	if f.Bench != "" {
		match("p.bench", f.Bench)
	}
	if len(f.Benches) > 0 {
		list := make([]string, len(f.Benches))
		for i, b := range f.Benches {
			list[i] = plain(b)
		}
		add("p.bench = ANY(?)", list)
	}
	if len(f.Verdicts) > 0 {
		list := make([]string, len(f.Verdicts))
		for i, v := range f.Verdicts {
			list[i] = string(v)
		}
		add("p.verdict = ANY(?)", list)
	}
	if f.System != "" {
		add("left(p.system, length(?)) = ?", f.System, f.System)
	}
	if !f.Since.IsZero() {
		add("p.at >= ?", f.Since)
	}
	if !f.Until.IsZero() {
		add("p.at < ?", f.Until)
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

// Pass returns the pass whose identity begins with prefix, as [store.Store.Pass].
func (l *Lab) Pass(ctx context.Context, prefix string) (p record.Pass, err error) {
	err = l.read(ctx, "read pass", func(tx pgx.Tx) error {
		x, err := l.one(ctx, tx, prefix)
		p = x.Pass
		return err
	})
	return p, err
}

// Frames returns the frame times of a pass, as [store.Store.Frames].
func (l *Lab) Frames(ctx context.Context, id string) (f record.Frames, err error) {
	err = l.read(ctx, "frame times of pass "+id, func(tx pgx.Tx) error {
		x, err := l.one(ctx, tx, id)
		if err != nil {
			return err
		}
		if f = x.Arrival.Frames; !l.asSent {
			return nil
		}
		var blob []byte
		if err := tx.QueryRow(ctx, `SELECT frames FROM capd.archives WHERE bench = $1 AND id = $2`, x.bench, x.Pass.ID).Scan(&blob); err != nil {
			return missing(err)
		}
		f, err = tables.DecodeFrames(blob)
		return damaged(err)
	})
	return f, err
}

// Telemetry returns the samples of a pass, nil where none were taken or they are not
// samples: see [Lab.Notes].
func (l *Lab) Telemetry(ctx context.Context, id string) (t *record.Telemetry, err error) {
	err = l.read(ctx, "telemetry of pass "+id, func(tx pgx.Tx) error {
		x, err := l.one(ctx, tx, id)
		if err == nil {
			t, err = l.telemetry(ctx, tx, x)
		}
		return err
	})
	return t, err
}

func (l *Lab) telemetry(ctx context.Context, tx pgx.Tx, x held) (*record.Telemetry, error) {
	var blob []byte
	err := tx.QueryRow(ctx, `SELECT `+packedSamples+` FROM capd.archives WHERE bench = $1 AND id = $2`,
		x.bench, x.Pass.ID).Scan(&blob)
	if err != nil || blob == nil {
		return nil, missing(err)
	}
	return l.decoded(x, blob), nil
}

// packedSamples are those of a row of archives; too many to be any are none that can be read.
var packedSamples = fmt.Sprintf(`CASE WHEN octet_length(telemetry) > %d THEN ''::bytea ELSE telemetry END`, maxFrames)

func missing(err error) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return damaged(errors.New("its frame times are not there"))
	}
	return err
}

func damaged(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w: %w", store.ErrCorrupt, err)
}

// System returns the system with the given identity, as the first bench by name tells it.
func (l *Lab) System(ctx context.Context, id string) (s record.System, err error) {
	err = l.read(ctx, "read system "+id, func(tx pgx.Tx) error {
		var is bool
		if s, is, err = l.system(ctx, tx, id, ""); err == nil && !is {
			err = fmt.Errorf("%w with this system", store.ErrNotFound)
		}
		return err
	})
	return s, err
}

// system looks for what benches, or one, tell of a system; false where none tells what gives
// its identity.
func (l *Lab) system(ctx context.Context, tx pgx.Tx, id, bench string) (s record.System, is bool, err error) {
	rows, err := tx.Query(ctx, `SELECT bench, fields FROM capd.systems WHERE id = $1 AND ($2 = '' OR bench = $2) ORDER BY bench`, id, bench)
	if err != nil {
		return s, false, err
	}
	var from string
	var fields []byte
	_, err = pgx.ForEachRow(rows, []any{&from, &fields}, func() error {
		x, err := systemOf(id, fields)
		if err != nil {
			l.left.add(Note{Bench: from, System: id, Why: err.Error()})
		} else if !is {
			s, is = x, true
		}
		return nil
	})
	return s, is, err
}

// Systems lists every system of every bench in order of first use.
func (l *Lab) Systems(ctx context.Context) (list []store.SystemSeen, err error) {
	err = l.read(ctx, "list systems", func(tx pgx.Tx) error {
		list = nil
		rows, err := tx.Query(ctx, `SELECT s.id, s.fields, u.bench, u.first, u.last, u.passes
			FROM (SELECT system, bench, min(at) AS first, max(at) AS last, count(*) AS passes FROM capd.passes GROUP BY system, bench) u
			JOIN capd.systems s ON s.bench = u.bench AND s.id = u.system ORDER BY u.first, s.id, u.bench`)
		if err != nil {
			return err
		}
		var id, bench string
		var fields []byte
		var first, last pgtype.Timestamptz
		var passes int
		_, err = pgx.ForEachRow(rows, []any{&id, &fields, &bench, &first, &last, &passes}, func() error {
			s, err := systemOf(id, fields)
			if err == nil && (!isTime(first) || !isTime(last)) {
				err = errors.New("a pass with it has no time")
			}
			if err != nil {
				l.left.add(Note{Bench: bench, System: id, Why: err.Error()})
				return nil
			}
			list = append(list, store.SystemSeen{System: s, Bench: bench, First: first.Time.UTC(), Last: last.Time.UTC(),
				Passes: passes})
			return nil
		})
		return err
	})
	return list, err
}

// Whole returns everything about the pass whose identity begins with prefix, as
// [store.Store.Whole].
func (l *Lab) Whole(ctx context.Context, prefix string) (a store.Arrival, err error) {
	err = l.read(ctx, "read pass", func(tx pgx.Tx) error {
		x, err := l.one(ctx, tx, prefix)
		if err != nil {
			return err
		}
		a = x.Arrival
		if a.Telemetry, err = l.telemetry(ctx, tx, x); err != nil || a.Pass.System == "" {
			return err
		}
		var is bool
		if a.System, is, err = l.system(ctx, tx, a.Pass.System, x.bench); err == nil && !is {
			a.System = record.System{}
		}
		return err
	})
	return a, err
}
