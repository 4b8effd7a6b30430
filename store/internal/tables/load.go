package tables

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// KeyOf finds the pass whose identity begins with prefix.
func KeyOf(ctx context.Context, tx *sql.Tx, prefix string) (PassKey, error) {
	var found []PassKey
	if !sqlbase.IsHex(prefix) {
		return PassKey{}, fmt.Errorf("%w: %q", sqlbase.ErrNotFound, prefix)
	}
	// "g" sorts after every hexadecimal digit, so the range is served by the index.
	rows, err := tx.QueryContext(ctx,
		`SELECT n, id, log, revision FROM pass_rows WHERE id >= ? AND id < ? ORDER BY id LIMIT 2`, prefix, prefix+"g")
	if err != nil {
		return PassKey{}, err
	}
	for rows.Next() {
		var k PassKey
		if err := rows.Scan(&k.N, &k.ID, &k.Log, &k.Revision); err != nil {
			rows.Close()
			return PassKey{}, err
		}
		found = append(found, k)
	}
	if err := sqlbase.CloseRows(rows); err != nil {
		return PassKey{}, err
	}
	switch {
	case len(found) == 0:
		return PassKey{}, fmt.Errorf("%w: %q", sqlbase.ErrNotFound, prefix)
	case len(found) > 1 && found[0].ID != prefix:
		return PassKey{}, fmt.Errorf("%w: %q (%s, %s, ...): type more of it", sqlbase.ErrAmbiguous, prefix, found[0].ID,
			found[1].ID)
	}
	return found[0], nil
}

// LoadPass reads one pass by its number.
func LoadPass(ctx context.Context, tx *sql.Tx, n int64) (record.Pass, error) {
	list, err := LoadPasses(ctx, tx, []int64{n})
	if err != nil {
		return record.Pass{}, err
	}
	if list[0].Tags == nil { // every row gives some
		return record.Pass{}, sqlbase.ErrNotFound
	}
	return list[0], nil
}

// LoadPasses returns the passes with the given numbers, in that order.
func LoadPasses(ctx context.Context, tx *sql.Tx, numbers []int64) ([]record.Pass, error) {
	if len(numbers) == 0 {
		return nil, nil
	}
	at := make(map[int64]int, len(numbers))
	for i, n := range numbers {
		at[n] = i
	}
	out := make([]record.Pass, len(numbers))
	list := sqlbase.JSONList(numbers)
	judged, err := scanPasses(ctx, tx, list, at, out)
	if err != nil {
		return nil, err
	}
	if err := scanTags(ctx, tx, list, at, out); err != nil {
		return nil, err
	}
	if err := scanNames(ctx, tx, list, at, out); err != nil {
		return nil, err
	}
	var judgements []int64
	for _, j := range judged {
		judgements = append(judgements, j)
	}
	found, err := FindingsOf(ctx, tx, judgements)
	for n, j := range judged {
		out[at[n]].Findings = found[j]
	}
	return out, err
}

const passColumns = `p.n, p.id, p.bench, p.log, p.sha256, p.started_at, p.ended_at, p.log_at, coalesce(s.id, ''), p.verdict, p.overruled,
	p.revision, coalesce(p.judgement, 0), p.doc, p.frames, coalesce(p.duration_s, 0), coalesce(p.avg_fps, 0), coalesce(p.median_ms, 0),
	coalesce(p.p95_ms, 0), coalesce(p.p99_ms, 0), coalesce(p.p999_ms, 0), coalesce(p.max_ms, 0), coalesce(p.low1_fps, 0), coalesce(p.low01_fps, 0),
	coalesce(p.low1_time_fps, 0), coalesce(p.p99_fps, 0), p.hitches, p.low1_sparse, p.low01_sparse`

// scanPasses fills out and returns the current judgement of each pass that has one.
func scanPasses(ctx context.Context, tx *sql.Tx, list string, at map[int64]int, out []record.Pass) (map[int64]int64,
	error) {
	rows, err := tx.QueryContext(ctx, `SELECT `+passColumns+` FROM pass_rows p LEFT JOIN system_rows s ON s.n = p.system
		WHERE p.n IN (SELECT value FROM json_each(?))`, list)
	if err != nil {
		return nil, err
	}
	judged := map[int64]int64{}
	for rows.Next() {
		p, n, j, err := scanPass(rows)
		if err != nil {
			rows.Close()
			return nil, err
		}
		if j > 0 {
			judged[n] = j
		}
		out[at[n]] = p
	}
	return judged, sqlbase.CloseRows(rows)
}

func scanPass(rows *sql.Rows) (p record.Pass, n, judgement int64, err error) {
	var started, ended, logAt, doc string
	m := &p.Metrics
	err = rows.Scan(&n, &p.ID, &p.Bench, &p.Log, &p.SHA256, &started, &ended, &logAt, &p.System, &p.Verdict, &p.Overruled,
		&p.Revision, &judgement, &doc, &m.Frames, &m.DurationS, &m.AvgFPS, &m.MedianMS,
		&m.P95MS, &m.P99MS, &m.P999MS, &m.MaxMS, &m.Low1FPS, &m.Low01FPS, &m.Low1TimeFPS, &m.P99FPS, &m.Hitches,
		&m.Low1Sparse, &m.Low01Sparse)
	if err != nil {
		return p, n, 0, err
	}
	if p.StartedAt, err = sqlbase.Unstamp(started); err != nil {
		return p, n, 0, err
	}
	if p.EndedAt, err = sqlbase.Unstamp(ended); err != nil {
		return p, n, 0, err
	}
	if p.LogAt, err = sqlbase.Unstamp(logAt); err != nil {
		return p, n, 0, err
	}
	var d passDoc
	if err := json.Unmarshal([]byte(doc), &d); err != nil {
		return p, n, 0, fmt.Errorf("%w: pass %s: %v", sqlbase.ErrCorrupt, p.ID, err)
	}
	p.Layout, p.Claims, p.Remarks = d.Layout, d.Claims, d.Remarks
	p.Tags = record.Tags{}
	return p, n, judgement, nil
}

func scanTags(ctx context.Context, tx *sql.Tx, list string, at map[int64]int, out []record.Pass) error {
	rows, err := tx.QueryContext(ctx, `SELECT t.pass, m.name, m.value, t.origin FROM tag_rows t JOIN terms m ON m.n = t.term
		WHERE t.pass IN (SELECT value FROM json_each(?))`, list)
	if err != nil {
		return err
	}
	for rows.Next() {
		var n int64
		var name string
		var t record.Tag
		if err := rows.Scan(&n, &name, &t.Value, &t.From); err != nil {
			rows.Close()
			return err
		}
		if p := &out[at[n]]; p.Tags != nil {
			p.Tags[name] = t
		}
	}
	return sqlbase.CloseRows(rows)
}

func scanNames(ctx context.Context, tx *sql.Tx, list string, at map[int64]int, out []record.Pass) error {
	rows, err := tx.QueryContext(ctx,
		`SELECT pass, path FROM names WHERE pass IN (SELECT value FROM json_each(?)) ORDER BY pass, path`, list)
	if err != nil {
		return err
	}
	for rows.Next() {
		var n int64
		var path string
		if err := rows.Scan(&n, &path); err != nil {
			rows.Close()
			return err
		}
		out[at[n]].Names = append(out[at[n]].Names, path)
	}
	return sqlbase.CloseRows(rows)
}

// TagsOf reads the tags of a pass.
func TagsOf(ctx context.Context, tx *sql.Tx, n int64) (record.Tags, error) {
	out := []record.Pass{{Tags: record.Tags{}}}
	err := scanTags(ctx, tx, sqlbase.JSONList([]int64{n}), map[int64]int{n: 0}, out)
	return out[0].Tags, err
}

// FindingsOf reads the findings of judgements.
func FindingsOf(ctx context.Context, tx *sql.Tx, judgements []int64) (map[int64][]record.Finding, error) {
	out := map[int64][]record.Finding{}
	if len(judgements) == 0 {
		return out, nil
	}
	rows, err := tx.QueryContext(ctx, `SELECT judgement, name, version, outcome, reason, advice, numbers, params FROM finding_rows
		WHERE judgement IN (SELECT value FROM json_each(?)) ORDER BY judgement, seq`, sqlbase.JSONList(judgements))
	if err != nil {
		return nil, err
	}
	return scanFindings(rows)
}

// scanFindings reads findings by judgement.
func scanFindings(rows *sql.Rows) (map[int64][]record.Finding, error) {
	out := map[int64][]record.Finding{}
	for rows.Next() {
		var j int64
		var f record.Finding
		var numbers, params []byte
		if err := rows.Scan(&j, &f.Check, &f.Version, &f.Outcome, &f.Reason, &f.Advice, &numbers, &params); err != nil {
			rows.Close()
			return nil, err
		}
		for _, part := range []struct {
			text []byte
			to   any
		}{{numbers, &f.Numbers}, {params, &f.Params}} {
			if err := json.Unmarshal(part.text, part.to); err != nil {
				rows.Close()
				return nil, fmt.Errorf("%w: a finding of %s: %v", sqlbase.ErrCorrupt, f.Check, err)
			}
		}
		out[j] = append(out[j], f)
	}
	return out, sqlbase.CloseRows(rows)
}
