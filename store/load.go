package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"

	"capd.example/record"
)

// keyOf finds the pass whose identity begins with prefix.
func keyOf(ctx context.Context, tx *sql.Tx, prefix string) (passKey, error) {
	var found []passKey
	if !isHex(prefix) {
		return passKey{}, fmt.Errorf("%w: %q", ErrNotFound, prefix)
	}
	// "g" sorts after every hexadecimal digit, so the range is served by the index.
	rows, err := tx.QueryContext(ctx, `SELECT n, id, log, revision FROM pass_rows WHERE id >= ? AND id < ? ORDER BY id LIMIT 2`, prefix, prefix+"g")
	if err != nil {
		return passKey{}, err
	}
	for rows.Next() {
		var k passKey
		if err := rows.Scan(&k.n, &k.id, &k.log, &k.revision); err != nil {
			rows.Close()
			return passKey{}, err
		}
		found = append(found, k)
	}
	if err := closeRows(rows); err != nil {
		return passKey{}, err
	}
	switch {
	case len(found) == 0:
		return passKey{}, fmt.Errorf("%w: %q", ErrNotFound, prefix)
	case len(found) > 1 && found[0].id != prefix:
		return passKey{}, fmt.Errorf("%w: %q (%s, %s, ...): type more of it", ErrAmbiguous, prefix, found[0].id, found[1].id)
	}
	return found[0], nil
}

func isHex(s string) bool {
	return s != "" && strings.Trim(s, "0123456789abcdef") == ""
}

func loadPass(ctx context.Context, tx *sql.Tx, n int64) (record.Pass, error) {
	list, err := loadPasses(ctx, tx, []int64{n})
	if err != nil {
		return record.Pass{}, err
	}
	if list[0].Tags == nil { // every row gives some
		return record.Pass{}, ErrNotFound
	}
	return list[0], nil
}

// loadPasses returns the passes with the given numbers, in that order.
func loadPasses(ctx context.Context, tx *sql.Tx, numbers []int64) ([]record.Pass, error) {
	if len(numbers) == 0 {
		return nil, nil
	}
	at := make(map[int64]int, len(numbers))
	for i, n := range numbers {
		at[n] = i
	}
	out := make([]record.Pass, len(numbers))
	list := jsonList(numbers)
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
	found, err := findingsOf(ctx, tx, judgements)
	for n, j := range judged {
		out[at[n]].Findings = found[j]
	}
	return out, err
}

func jsonList(numbers []int64) string {
	text, _ := json.Marshal(numbers) // numbers always have a JSON form
	return string(text)
}

const passColumns = `p.n, p.id, p.bench, p.log, p.sha256, p.started_at, p.ended_at, p.log_at, coalesce(s.id, ''), p.verdict, p.overruled,
	p.revision, coalesce(p.judgement, 0), p.doc, p.frames, coalesce(p.duration_s, 0), coalesce(p.avg_fps, 0), coalesce(p.median_ms, 0),
	coalesce(p.p95_ms, 0), coalesce(p.p99_ms, 0), coalesce(p.p999_ms, 0), coalesce(p.max_ms, 0), coalesce(p.low1_fps, 0), coalesce(p.low01_fps, 0),
	coalesce(p.low1_time_fps, 0), coalesce(p.p99_fps, 0), p.hitches, p.low1_sparse, p.low01_sparse`

// scanPasses fills out and returns the current judgement of each pass that has one.
func scanPasses(ctx context.Context, tx *sql.Tx, list string, at map[int64]int, out []record.Pass) (map[int64]int64, error) {
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
	return judged, closeRows(rows)
}

func scanPass(rows *sql.Rows) (p record.Pass, n, judgement int64, err error) {
	var started, ended, logAt, doc string
	m := &p.Metrics
	err = rows.Scan(&n, &p.ID, &p.Bench, &p.Log, &p.SHA256, &started, &ended, &logAt, &p.System, &p.Verdict, &p.Overruled,
		&p.Revision, &judgement, &doc, &m.Frames, &m.DurationS, &m.AvgFPS, &m.MedianMS,
		&m.P95MS, &m.P99MS, &m.P999MS, &m.MaxMS, &m.Low1FPS, &m.Low01FPS, &m.Low1TimeFPS, &m.P99FPS, &m.Hitches, &m.Low1Sparse, &m.Low01Sparse)
	if err != nil {
		return p, n, 0, err
	}
	if p.StartedAt, err = unstamp(started); err != nil {
		return p, n, 0, err
	}
	if p.EndedAt, err = unstamp(ended); err != nil {
		return p, n, 0, err
	}
	if p.LogAt, err = unstamp(logAt); err != nil {
		return p, n, 0, err
	}
	var d passDoc
	if err := json.Unmarshal([]byte(doc), &d); err != nil {
		return p, n, 0, fmt.Errorf("%w: pass %s: %v", ErrCorrupt, p.ID, err)
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
	return closeRows(rows)
}

func scanNames(ctx context.Context, tx *sql.Tx, list string, at map[int64]int, out []record.Pass) error {
	rows, err := tx.QueryContext(ctx, `SELECT pass, path FROM names WHERE pass IN (SELECT value FROM json_each(?)) ORDER BY pass, path`, list)
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
	return closeRows(rows)
}

func tagsOf(ctx context.Context, tx *sql.Tx, n int64) (record.Tags, error) {
	out := []record.Pass{{Tags: record.Tags{}}}
	err := scanTags(ctx, tx, jsonList([]int64{n}), map[int64]int{n: 0}, out)
	return out[0].Tags, err
}

func findingsOf(ctx context.Context, tx *sql.Tx, judgements []int64) (map[int64][]record.Finding, error) {
	out := map[int64][]record.Finding{}
	if len(judgements) == 0 {
		return out, nil
	}
	rows, err := tx.QueryContext(ctx, `SELECT judgement, name, version, outcome, reason, advice, numbers, params FROM finding_rows
		WHERE judgement IN (SELECT value FROM json_each(?)) ORDER BY judgement, seq`, jsonList(judgements))
	if err != nil {
		return nil, err
	}
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
				return nil, fmt.Errorf("%w: a finding of %s: %v", ErrCorrupt, f.Check, err)
			}
		}
		out[j] = append(out[j], f)
	}
	return out, closeRows(rows)
}
