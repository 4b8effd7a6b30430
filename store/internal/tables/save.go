package tables

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// FileMark says which file was read. Size, time and ID only spare hashing a known file
// again; they never decide what a pass is.
type FileMark struct {
	Path    string
	Size    int64
	ModTime time.Time
	ID      string // the file system's own identity of the file, "" where there is none
}

// Arrival is a read and tagged pass on its way into the store.
type Arrival struct {
	Pass      record.Pass // SHA256, Bench and Log are required; ID and Revision are decided here
	Frames    record.Frames
	Telemetry *record.Telemetry // nil when none was taken
	System    record.System
	File      FileMark
	LogBytes  []byte            // the log itself; nil where it is not to be kept
	Settings  map[string]string // kept in the same step, unless these bytes are stored already
}

// Blobs are the large parts of an arrival, encoded before the write lock is taken.
type Blobs struct {
	Frames, Telemetry, Seconds, Log []byte
	StartTemp, Doc, Fields          string
}

// passDoc is what of a pass needs no column of its own.
type passDoc struct {
	Layout  record.Layout   `json:"layout"`
	Claims  []record.Claim  `json:"claims,omitempty"`
	Remarks []record.Remark `json:"remarks,omitempty"`
}

// EncodeArrival encodes what is large about a new pass, before the transaction begins.
func EncodeArrival(a Arrival) (b Blobs, err error) {
	if !a.Pass.Dated() {
		return b, fmt.Errorf("the pass ran from %v to %v, which is no date", a.Pass.StartedAt, a.Pass.EndedAt)
	}
	if b.Frames, err = EncodeFrames(a.Frames); err != nil {
		return b, err
	}
	if a.Telemetry != nil {
		if b.Telemetry, err = EncodeTelemetry(a.Telemetry); err != nil {
			return b, err
		}
	}
	if b.Seconds, err = EncodeFrames(record.Frames{MS: SecondsMS(a.Frames), Decimals: 4}); err != nil {
		return b, err
	}
	if a.LogBytes != nil {
		if b.Log, err = Pack(LogVersion, a.LogBytes); err != nil {
			return b, err
		}
	}
	for _, part := range []struct {
		to    *string
		value any
	}{
		{&b.StartTemp, StartTemps(a.Telemetry)},
		{&b.Doc, passDoc{a.Pass.Layout, a.Pass.Claims, a.Pass.Remarks}},
		{&b.Fields, a.System.Fields},
	} {
		text, err := json.Marshal(part.value)
		if err != nil {
			return b, err
		}
		*part.to = string(text)
	}
	return b, nil
}

// PassKey is what identifies a stored pass.
type PassKey struct {
	N        int64
	ID, Log  string
	Revision int
}

// PassOfHash finds the pass of a log by its hash.
func PassOfHash(ctx context.Context, tx *sql.Tx, sha string) (k PassKey, err error) {
	err = tx.QueryRowContext(ctx,
		`SELECT p.n, p.id, p.log, r.revision FROM revisions r JOIN pass_rows p ON p.n = r.pass WHERE r.sha256 = ?`, sha).
		Scan(&k.N, &k.ID, &k.Log, &k.Revision)
	return k, err
}

// AddName notes another path of a log.
func AddName(ctx context.Context, tx *sql.Tx, n int64, first, path string) error {
	if path == "" || path == first {
		return nil
	}
	_, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO names (pass, path) VALUES (?, ?)`, n, path)
	return err
}

// A file system gives the identity of a deleted file to a new one, two logs of a capped
// game may begin alike, and a logger may give the next recording the name of the last.
// These limits are conventions.
const (
	followedFrames = 100             // a stored log shorter than this is not followed to another name
	followedStart  = 5 * time.Second // nor one that started this far from the arrival
	tellingBits    = 20              // another recording begins so by chance less than once in a million (2^20)
)

// Followed reports whether a stored log may be taken for the beginning of one that lies
// under another name.
func Followed(now time.Time, stored string, frames int) bool {
	then, err := sqlbase.Unstamp(stored)
	return err == nil && frames >= followedFrames && !then.IsZero() && !now.IsZero() && now.Sub(then).
		Abs() <= followedStart
}

// Apart reports whether both starts are known and too far from each other for one recording.
func Apart(now time.Time, stored string) bool {
	then, err := sqlbase.Unstamp(stored)
	return err == nil && !then.IsZero() && !now.IsZero() && now.Sub(then).Abs() > followedStart
}

// Telling reports whether another recording would hardly begin with the frame times of a
// stored log, whatever is known of its start, which may be no more than the file's time less
// what was recorded. The last frame, which may have been written only in part, does not count.
// Many frames tell unless all are equal, as under a frame cap. Of few frames each different
// one is as unlikely as the values are many that the log could have written in their span: the
// three of 16.6, 16.7 and 16.8 ms are what any recording at 60 frames a second begins with.
func Telling(ms []float64) bool {
	front := slices.Clone(ms[:max(0, len(ms)-1)])
	if len(front) == 0 {
		return false
	}
	slices.Sort(front)
	span := front[len(front)-1] - front[0]
	if len(ms) >= followedFrames {
		return span > 0
	}
	different := slices.Compact(front)
	decimals := GridOf(different, MaxDecimals)
	if decimals < 0 {
		decimals = MaxDecimals
	}
	return float64(len(different))*math.Log2(1+span*math.Pow10(decimals)) >= tellingBits
}

// BeginsWith reports whether one list of frame times is the beginning of another.
func BeginsWith(long, short []float64) bool {
	if len(short) == 0 || len(long) < len(short) {
		return false
	}
	for i := range len(short) - 1 {
		if long[i] != short[i] {
			return false
		}
	}
	return len(short) > 1 || long[0] == short[0]
}

// PassRow is a row of passes on its way in.
type PassRow struct {
	PassKey
	Pass   record.Pass
	Cell   int64
	System sql.NullInt64
	Doc    string
}

// Intern returns the number of the row that find finds, or of a new one.
func Intern(ctx context.Context, tx *sql.Tx, find, insert string, key []any, more ...any) (n int64, err error) {
	err = tx.QueryRowContext(ctx, find, key...).Scan(&n)
	if !sqlbase.NoRows(err) {
		return n, err
	}
	res, err := tx.ExecContext(ctx, insert, append(key, more...)...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// CellOf finds or makes the cell of tags.
func CellOf(ctx context.Context, tx *sql.Tx, t record.Tags) (int64, error) {
	key := []any{
		t.Value(record.TagProcessor), t.Value(record.TagGraphics), t.Value(record.TagGame),
		t.Value(record.TagScene), t.Value(record.TagResolution), t.Value(record.TagPreset),
	}
	return Intern(ctx, tx,
		`SELECT n FROM cell_rows WHERE cpu = ? AND gpu = ? AND game = ? AND scene = ? AND resolution = ? AND preset = ?`,
		`INSERT INTO cell_rows (cpu, gpu, game, scene, resolution, preset) VALUES (?, ?, ?, ?, ?, ?)`, key)
}

// InsertPass stores the row of a new pass.
func InsertPass(ctx context.Context, tx *sql.Tx, r *PassRow, now string) error {
	p := r.Pass
	// Twelve digits may meet by chance in a very large lab; then the name is longer.
	for digits := len(r.ID); ; digits += 4 {
		var taken int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM pass_rows WHERE id = ?`, r.ID).Scan(&taken); err != nil {
			return err
		}
		if taken == 0 || digits >= len(p.SHA256) {
			break
		}
		r.ID = p.SHA256[:min(digits+4, len(p.SHA256))]
	}
	res, err := tx.ExecContext(ctx, `
		INSERT INTO pass_rows (id, sha256, bench, log, at, started_at, ended_at, log_at, stored_at, state, revision, cell, system, verdict, doc,
			frames, duration_s, avg_fps, median_ms, p95_ms, p99_ms, p999_ms, max_ms, low1_fps, low01_fps, low1_time_fps, p99_fps,
			hitches, low1_sparse, low01_sparse)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 'received', ?, ?, ?, '', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		append([]any{r.ID, p.SHA256, p.Bench, p.Log, OrderTime(p, now), sqlbase.Stamp(p.StartedAt), sqlbase.Stamp(p.EndedAt),
			sqlbase.Stamp(p.LogAt), now, r.Revision, r.Cell, r.System, r.Doc},
			Figures(p.Metrics)...)...)
	if err != nil {
		return err
	}
	r.N, err = res.LastInsertId()
	return err
}

// OrderTime is the time by which a pass is ordered: when it started, else when it came.
func OrderTime(p record.Pass, now string) string {
	for _, t := range []time.Time{p.StartedAt, p.EndedAt, p.LogAt} {
		if !t.IsZero() {
			return sqlbase.Stamp(t)
		}
	}
	return now
}

// Figures returns the metrics in the order of their columns. What is not a number is
// NULL there.
func Figures(m record.Metrics) []any {
	out := []any{m.Frames}
	for _, x := range []float64{m.DurationS, m.AvgFPS, m.MedianMS, m.P95MS, m.P99MS, m.P999MS, m.MaxMS, m.Low1FPS,
		m.Low01FPS, m.Low1TimeFPS, m.P99FPS} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			out = append(out, nil)
		} else {
			out = append(out, x)
		}
	}
	return append(out, m.Hitches, m.Low1Sparse, m.Low01Sparse)
}

// InsertRevision stores what a log holds as one of its revisions.
func InsertRevision(ctx context.Context, tx *sql.Tx, r PassRow, a Arrival, b Blobs, now string) error {
	res, err := tx.ExecContext(ctx,
		`INSERT INTO revisions (pass, revision, sha256, size, stored_at) VALUES (?, ?, ?, ?, ?)`,
		r.N, r.Revision, a.Pass.SHA256, a.File.Size, now)
	if err != nil {
		return err
	}
	n, err := res.LastInsertId()
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx,
		`INSERT INTO archives (revision, frames, telemetry, seconds, start_temp, log) VALUES (?, ?, ?, ?, ?, ?)`,
		n, b.Frames, b.Telemetry, b.Seconds, b.StartTemp, b.Log)
	return err
}

// WriteTags puts tags in the place of the stored ones. With keepHand, tags that the
// reviewer set by hand stay.
func WriteTags(ctx context.Context, tx *sql.Tx, n int64, tags record.Tags, keepHand bool) error {
	final := tags
	if keepHand {
		final = record.Tags{}
		for name, t := range tags {
			final[name] = t
		}
		old, err := TagsOf(ctx, tx, n)
		if err != nil {
			return err
		}
		for name, t := range old {
			if t.From == record.FromHand {
				final[name] = t
			}
		}
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM tag_rows WHERE pass = ?`, n); err != nil {
		return err
	}
	for name, t := range final {
		term, err := termOf(ctx, tx, name, t.Value)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO tag_rows (pass, term, origin) VALUES (?, ?, ?)`, n, term,
			string(t.From)); err != nil {
			return err
		}
	}
	cell, err := CellOf(ctx, tx, final)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE pass_rows SET cell = ?, campaign = ? WHERE n = ?`, cell,
		final.Value(record.TagCampaign), n)
	return err
}

func termOf(ctx context.Context, tx *sql.Tx, name, value string) (int64, error) {
	return Intern(ctx, tx, `SELECT n FROM terms WHERE name = ? AND value = ?`,
		`INSERT INTO terms (name, value) VALUES (?, ?)`, []any{name, value})
}
