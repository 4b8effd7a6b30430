package tables

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// Lean reads passes as conclusions need them, see [Store.Lean]: by columns, with what many
// passes share held once.
type Lean struct {
	Checks []string // whose findings are read beside those that say why a pass is bad; nil for none at all

	terms   map[string]tagged // by the number of the term and the origin, as they are written
	tags    map[string]record.Tags
	systems map[int64]string
	texts   map[string]string
}

type tagged struct {
	name string
	tag  record.Tag
}

// NewLean returns a reader of lean passes.
func NewLean(checks []string) *Lean {
	return &Lean{Checks: checks, terms: map[string]tagged{}, tags: map[string]record.Tags{},
		systems: map[int64]string{0: ""},
		texts:   map[string]string{}}
}

// leanColumns: a claim that was made later stands in the document in these very letters,
// since a text in it has its quotation marks escaped.
const leanColumns = `p.n, p.id, p.sha256, p.bench, p.log, p.started_at, p.ended_at, coalesce(p.system, 0), p.verdict, p.overruled,
	CASE WHEN p.judgement IS NULL THEN 0 ELSE p.judgement END, instr(p.doc, '"from":"detected-later"'), p.frames, coalesce(p.duration_s, 0),
	coalesce(p.avg_fps, 0), coalesce(p.median_ms, 0), coalesce(p.p95_ms, 0), coalesce(p.p99_ms, 0), coalesce(p.p999_ms, 0), coalesce(p.max_ms, 0),
	coalesce(p.low1_fps, 0), coalesce(p.low01_fps, 0), coalesce(p.low1_time_fps, 0), coalesce(p.p99_fps, 0), p.hitches, p.low1_sparse, p.low01_sparse,
	(SELECT group_concat(t.term || ' ' || length(CAST(t.origin AS BLOB)) || ' ' || t.origin, '') FROM tag_rows t WHERE t.pass = p.n)`

// LeanQuery reads passes named by a list of numbers in JSON.
const LeanQuery = `SELECT ` + leanColumns + ` FROM pass_rows p WHERE p.n IN (SELECT value FROM json_each(?))`

// Load returns the passes with the given numbers, in that order.
func (l *Lean) Load(ctx context.Context, tx *sql.Tx, numbers []int64) ([]record.Pass, error) {
	rows, err := tx.QueryContext(ctx, LeanQuery, sqlbase.JSONList(numbers))
	if err != nil {
		return nil, err
	}
	found := make(map[int64]row, len(numbers))
	for rows.Next() {
		r, err := l.scan(rows)
		if err != nil {
			rows.Close()
			return nil, err
		}
		found[r.n] = r
	}
	if err := sqlbase.CloseRows(rows); err != nil {
		return nil, err
	}
	out := make([]record.Pass, 0, len(numbers))
	at := map[int64]int{} // of judgements
	for _, n := range numbers {
		r, there := found[n]
		if !there {
			continue
		}
		if r.pass.System, err = l.system(ctx, tx, r.system); err != nil {
			return nil, err
		}
		if r.pass.Tags, err = l.tagsOf(ctx, tx, r.tags); err != nil {
			return nil, err
		}
		if r.judgement > 0 && l.Checks != nil {
			at[r.judgement] = len(out)
		}
		out = append(out, r.pass)
	}
	return out, l.findings(ctx, tx, at, out)
}

type row struct {
	n, system, judgement int64
	tags                 string
	pass                 record.Pass
}

func (l *Lean) scan(rows *sql.Rows) (r row, err error) {
	var started, ended string
	var later int
	var tags sql.NullString
	p, m := &r.pass, &r.pass.Metrics
	if err := rows.Scan(&r.n, &p.ID, &p.SHA256, &p.Bench, &p.Log, &started, &ended, &r.system,
		&p.Verdict, &p.Overruled, &r.judgement, &later,
		&m.Frames, &m.DurationS, &m.AvgFPS, &m.MedianMS, &m.P95MS, &m.P99MS, &m.P999MS, &m.MaxMS, &m.Low1FPS, &m.Low01FPS,
		&m.Low1TimeFPS, &m.P99FPS, &m.Hitches, &m.Low1Sparse, &m.Low01Sparse, &tags); err != nil {
		return r, err
	}
	r.tags, p.Bench, p.Verdict = tags.String, l.text(p.Bench), record.Verdict(l.text(string(p.Verdict)))
	if later > 0 {
		p.Claims = []record.Claim{{From: record.FromLater}}
	}
	if p.StartedAt, err = sqlbase.Unstamp(started); err == nil {
		p.EndedAt, err = sqlbase.Unstamp(ended)
	}
	return r, err
}

// text returns one copy of equal texts.
func (l *Lean) text(s string) string {
	if same, known := l.texts[s]; known {
		return same
	}
	l.texts[s] = s
	return s
}

func (l *Lean) system(ctx context.Context, tx *sql.Tx, n int64) (string, error) {
	id, known := l.systems[n]
	if !known {
		if err := tx.QueryRowContext(ctx, `SELECT id FROM system_rows WHERE n = ?`, n).Scan(&id); err != nil && !sqlbase.NoRows(err) {
			return "", err
		}
		l.systems[n] = id
	}
	return id, nil
}

// tagsOf returns the tags that a list of terms and origins stands for; passes that bear the
// same share them.
func (l *Lean) tagsOf(ctx context.Context, tx *sql.Tx, list string) (record.Tags, error) {
	if tags, known := l.tags[list]; known {
		return tags, nil
	}
	tags := record.Tags{}
	for rest := list; rest != ""; {
		part, ok := cutTag(rest)
		if !ok {
			return nil, fmt.Errorf("%w: the list of tags %.80q", sqlbase.ErrCorrupt, list)
		}
		rest = rest[len(part):]
		t, known := l.terms[part]
		if !known {
			number, origin, _ := strings.Cut(part, " ")
			_, origin, _ = strings.Cut(origin, " ")
			t.tag.From = record.Origin(origin)
			if err := tx.QueryRowContext(ctx, `SELECT name, value FROM terms WHERE n = ?`, number).Scan(&t.name, &t.tag.Value); err != nil {
				return nil, fmt.Errorf("%w: the term of a tag: %w", sqlbase.ErrCorrupt, err)
			}
			l.terms[part] = t
		}
		tags[t.name] = t.tag
	}
	l.tags[list] = tags
	return tags, nil
}

// cutTag returns the first tag of a list: the number of its term, the length of its origin and
// the origin, which may be any text. Lengths are of bytes.
func cutTag(list string) (part string, ok bool) {
	number, rest, _ := strings.Cut(list, " ")
	length, rest, ok := strings.Cut(rest, " ")
	n, err := strconv.Atoi(length)
	if !ok || err != nil || n < 0 || n > len(rest) {
		return "", false
	}
	return list[:len(number)+len(length)+2+n], true
}

// findings reads, of judgements, the findings that are bad and those of the named checks.
func (l *Lean) findings(ctx context.Context, tx *sql.Tx, at map[int64]int, out []record.Pass) error {
	if len(at) == 0 {
		return nil
	}
	judgements := make([]int64, 0, len(at))
	for j := range at {
		judgements = append(judgements, j)
	}
	slices.Sort(judgements)
	checks, err := json.Marshal(l.Checks)
	if err != nil {
		return err
	}
	rows, err := tx.QueryContext(ctx, `SELECT judgement, name, version, outcome, reason, advice, numbers, params FROM finding_rows
		WHERE judgement IN (SELECT value FROM json_each(?)) AND (outcome = 'bad' OR name IN (SELECT value FROM json_each(?)))
		ORDER BY judgement, seq`, sqlbase.JSONList(judgements), string(checks))
	if err != nil {
		return err
	}
	found, err := scanFindings(rows)
	for j, list := range found {
		out[at[j]].Findings = list
	}
	return err
}
