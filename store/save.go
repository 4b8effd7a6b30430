package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"capd.example/record"
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

// Saved is what became of an arrival.
type Saved struct {
	ID       string
	Created  bool // false: these bytes were stored before
	Revision int  // above 0 when the log had grown since it was stored
}

// Save stores a pass in state received, whole or not at all. Equal SHA256 is the same
// pass: the arrival's path is added to its names and nothing else changes. A larger log
// at the path of a stored one of the same bench, whose frames begin with the stored
// frames, is a new revision of that pass; the old one is kept. So is one in the same file
// under another name, where the stored log is long enough to be told from others and both
// started at the same time.
func (s *Store) Save(ctx context.Context, a Arrival) (Saved, error) {
	if a.Pass.SHA256 == "" || a.Pass.Bench == "" {
		return Saved{}, errors.New("save pass: the hash of the log and the name of the bench are required")
	}
	a.Pass.ID, a.Pass.Revision = "", 0
	blobs, err := encodeArrival(a)
	if err != nil {
		return Saved{}, fmt.Errorf("save pass: %w", err)
	}
	var out Saved
	err = s.write(ctx, func(tx *sql.Tx) error {
		out, err = s.save(ctx, tx, a, blobs)
		return err
	})
	if err != nil {
		return Saved{}, fmt.Errorf("save pass: %w", err)
	}
	return out, nil
}

// blobs are the large parts of an arrival, encoded before the write lock is taken.
type blobs struct {
	frames, telemetry, seconds, log []byte
	startTemp, doc, fields          string
}

// passDoc is what of a pass needs no column of its own.
type passDoc struct {
	Layout  record.Layout   `json:"layout"`
	Claims  []record.Claim  `json:"claims,omitempty"`
	Remarks []record.Remark `json:"remarks,omitempty"`
}

func encodeArrival(a Arrival) (b blobs, err error) {
	if b.frames, err = EncodeFrames(a.Frames); err != nil {
		return b, err
	}
	if a.Telemetry != nil {
		if b.telemetry, err = EncodeTelemetry(a.Telemetry); err != nil {
			return b, err
		}
	}
	if b.seconds, err = EncodeFrames(record.Frames{MS: secondsMS(a.Frames), Decimals: 4}); err != nil {
		return b, err
	}
	if a.LogBytes != nil {
		if b.log, err = pack(logVersion, a.LogBytes); err != nil {
			return b, err
		}
	}
	for _, part := range []struct {
		to    *string
		value any
	}{
		{&b.startTemp, startTemps(a.Telemetry)},
		{&b.doc, passDoc{a.Pass.Layout, a.Pass.Claims, a.Pass.Remarks}},
		{&b.fields, a.System.Fields},
	} {
		text, err := json.Marshal(part.value)
		if err != nil {
			return b, err
		}
		*part.to = string(text)
	}
	return b, nil
}

func (s *Store) save(ctx context.Context, tx *sql.Tx, a Arrival, b blobs) (out Saved, err error) {
	known, err := passOfHash(ctx, tx, a.Pass.SHA256)
	switch {
	case err == nil:
		out, err = s.seenAgain(ctx, tx, known, a, b)
	case noRows(err):
		var old passKey
		var grown bool
		if old, grown, err = s.grownFrom(ctx, tx, a); err != nil {
			break
		}
		if grown {
			out, err = s.saveGrown(ctx, tx, old, old.revision+1, a, b, true)
		} else {
			out, err = s.saveNew(ctx, tx, a, b, "")
		}
	}
	if err != nil {
		return Saved{}, err
	}
	if out.Created {
		for key, value := range a.Settings {
			if err := setSetting(ctx, tx, key, value); err != nil {
				return Saved{}, err
			}
		}
	}
	return out, s.remember(ctx, tx, a.File, a.Pass.SHA256, "")
}

// saveNew stores a pass that is not known, with the time at which it came from elsewhere,
// "" where it was recorded here.
func (s *Store) saveNew(ctx context.Context, tx *sql.Tx, a Arrival, b blobs, came string) (Saved, error) {
	row, err := s.rowOf(ctx, tx, a, b)
	if err != nil {
		return Saved{}, err
	}
	now := stamp(s.now())
	if err := insertPass(ctx, tx, &row, now); err != nil {
		return Saved{}, err
	}
	if came != "" {
		if _, err := tx.ExecContext(ctx, `INSERT INTO adopted (pass, at) VALUES (?, ?)`, row.n, came); err != nil {
			return Saved{}, err
		}
	}
	if err := insertRevision(ctx, tx, row, a, b, now); err != nil {
		return Saved{}, err
	}
	if err := writeTags(ctx, tx, row.n, a.Pass.Tags, false); err != nil {
		return Saved{}, err
	}
	return Saved{ID: row.id, Created: true, Revision: row.revision}, seal(ctx, tx, []int64{row.n})
}

// saveGrown stores an arrival as the given revision of a pass; with keepHand, tags that
// were set by hand stay.
func (s *Store) saveGrown(ctx context.Context, tx *sql.Tx, old passKey, revision int, a Arrival, b blobs, keepHand bool) (Saved, error) {
	row, err := s.rowOf(ctx, tx, a, b)
	if err != nil {
		return Saved{}, err
	}
	row.n, row.id, row.revision = old.n, old.id, revision
	err = change(ctx, tx, []int64{row.n}, everyGroup, func() error {
		if err := s.supersede(ctx, tx, row); err != nil {
			return err
		}
		if err := addName(ctx, tx, row.n, old.log, a.Pass.Log); err != nil {
			return err
		}
		if err := insertRevision(ctx, tx, row, a, b, stamp(s.now())); err != nil {
			return err
		}
		return writeTags(ctx, tx, row.n, a.Pass.Tags, keepHand)
	})
	return Saved{ID: row.id, Created: true, Revision: row.revision}, err
}

// seenAgain notes another name of bytes that are stored. Where the pass came from
// elsewhere the log itself has arrived now: it counts as recorded here from then on, and
// what it says takes the place of frame times that it does not hold.
func (s *Store) seenAgain(ctx context.Context, tx *sql.Tx, k passKey, a Arrival, b blobs) (Saved, error) {
	var adopted, named bool
	var blob []byte
	err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM adopted WHERE pass = ?1), ?2 IN ('', ?3) OR EXISTS (SELECT 1 FROM names WHERE pass = ?1 AND path = ?2),
		(SELECT x.frames FROM revisions r JOIN archives x ON x.revision = r.n WHERE r.sha256 = ?4)`,
		k.n, a.Pass.Log, k.log, a.Pass.SHA256).Scan(&adopted, &named, &blob)
	out := Saved{ID: k.id, Revision: k.revision}
	if err != nil || named && !adopted {
		return out, err
	}
	err = change(ctx, tx, []int64{k.n}, everyGroup, func() error {
		if err := addName(ctx, tx, k.n, k.log, a.Pass.Log); err != nil || !adopted {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM adopted WHERE pass = ?`, k.n); err != nil {
			return err
		}
		if stored, err := DecodeFrames(blob); err == nil && slices.Equal(stored.MS, a.Frames.MS) {
			return nil
		}
		var current bool // an earlier revision is not what the pass is now
		if err := tx.QueryRowContext(ctx, `SELECT sha256 = ? FROM pass_rows WHERE n = ?`, a.Pass.SHA256, k.n).Scan(&current); err != nil || !current {
			return err
		}
		out.Created = true
		return s.correct(ctx, tx, k, a, b)
	})
	return out, err
}

// correct puts what a log says in the place of what was said about it elsewhere.
func (s *Store) correct(ctx context.Context, tx *sql.Tx, k passKey, a Arrival, b blobs) error {
	row, err := s.rowOf(ctx, tx, a, b)
	if err != nil {
		return err
	}
	row.n, row.id, row.revision = k.n, k.id, k.revision
	if err := s.supersede(ctx, tx, row); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE pass_rows SET bench = ?, log = ? WHERE n = ?`, a.Pass.Bench, a.Pass.Log, k.n); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE archives SET frames = ?, telemetry = ?, seconds = ?, start_temp = ?, log = ?
		WHERE revision = (SELECT n FROM revisions WHERE sha256 = ?)`, b.frames, b.telemetry, b.seconds, b.startTemp, b.log, a.Pass.SHA256)
	if err != nil {
		return err
	}
	return writeTags(ctx, tx, k.n, a.Pass.Tags, true)
}

// passKey is what identifies a stored pass.
type passKey struct {
	n        int64
	id, log  string
	revision int
}

func passOfHash(ctx context.Context, tx *sql.Tx, sha string) (k passKey, err error) {
	err = tx.QueryRowContext(ctx, `SELECT p.n, p.id, p.log, r.revision FROM revisions r JOIN pass_rows p ON p.n = r.pass WHERE r.sha256 = ?`, sha).
		Scan(&k.n, &k.id, &k.log, &k.revision)
	return k, err
}

func addName(ctx context.Context, tx *sql.Tx, n int64, first, path string) error {
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

// grownFrom finds the pass whose log has grown into the arrival: same bench, same path or
// same file under another name, fewer bytes, and the stored frames stand at the front of
// the new ones. The last stored frame may differ, since its line may have been written
// only in part. The identity of the file only says where to look: under another name
// [followed] decides as well. At the same path the start decides as well where
// the stored frames are what another recording may begin with too, see [telling].
func (s *Store) grownFrom(ctx context.Context, tx *sql.Tx, a Arrival) (passKey, bool, error) {
	condition, args := `SELECT n FROM pass_rows WHERE log = ?
		UNION SELECT r.pass FROM files f JOIN revisions r ON r.sha256 = f.sha256 WHERE f.path = ?
		UNION SELECT r.pass FROM files f JOIN revisions r ON r.sha256 = f.sha256 WHERE f.file_id = ? AND f.file_id <> '' AND f.sha256 <> ''`,
		[]any{a.Pass.Log, a.File.Path, a.File.ID}
	rows, err := tx.QueryContext(ctx, `
		SELECT p.n, p.id, p.log, p.revision, r.size, x.frames, p.started_at,
			p.log = ? OR EXISTS (SELECT 1 FROM files f JOIN revisions v ON v.sha256 = f.sha256 WHERE f.path = ? AND v.pass = p.n)
		FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision JOIN archives x ON x.revision = r.n
		WHERE p.n IN (`+condition+`) AND +p.bench = ? ORDER BY p.log = ? DESC, p.n DESC LIMIT 8`,
		slices.Concat([]any{a.Pass.Log, a.File.Path}, args, []any{a.Pass.Bench, a.Pass.Log})...)
	if err != nil {
		return passKey{}, false, err
	}
	for rows.Next() {
		var k passKey
		var size int64
		var blob []byte
		var started string
		var here bool
		if err := rows.Scan(&k.n, &k.id, &k.log, &k.revision, &size, &blob, &started, &here); err != nil {
			rows.Close()
			return k, false, err
		}
		if a.File.Size <= size {
			continue
		}
		// A damaged old pass must not hold up a new one.
		old, err := DecodeFrames(blob)
		if err != nil || !beginsWith(a.Frames.MS, old.MS) {
			continue
		}
		if here && (telling(old.MS) || !apart(a.Pass.StartedAt, started)) || followed(a.Pass.StartedAt, started, len(old.MS)) {
			return k, true, closeRows(rows)
		}
	}
	return passKey{}, false, closeRows(rows)
}

// followed reports whether a stored log may be taken for the beginning of one that lies
// under another name.
func followed(now time.Time, stored string, frames int) bool {
	then, err := unstamp(stored)
	return err == nil && frames >= followedFrames && !then.IsZero() && !now.IsZero() && now.Sub(then).Abs() <= followedStart
}

// apart reports whether both starts are known and too far from each other for one recording.
func apart(now time.Time, stored string) bool {
	then, err := unstamp(stored)
	return err == nil && !then.IsZero() && !now.IsZero() && now.Sub(then).Abs() > followedStart
}

// telling reports whether another recording would hardly begin with the frame times of a
// stored log, whatever is known of its start, which may be no more than the file's time less
// what was recorded. The last frame, which may have been written only in part, does not count.
// Many frames tell unless all are equal, as under a frame cap. Of few frames each different
// one is as unlikely as the values are many that the log could have written in their span: the
// three of 16.6, 16.7 and 16.8 ms are what any recording at 60 frames a second begins with.
func telling(ms []float64) bool {
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
	decimals := gridOf(different, maxDecimals)
	if decimals < 0 {
		decimals = maxDecimals
	}
	return float64(len(different))*math.Log2(1+span*math.Pow10(decimals)) >= tellingBits
}

func beginsWith(long, short []float64) bool {
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

// passRow is a row of passes on its way in.
type passRow struct {
	passKey
	pass   record.Pass
	cell   int64
	system sql.NullInt64
	doc    string
}

func (s *Store) rowOf(ctx context.Context, tx *sql.Tx, a Arrival, b blobs) (r passRow, err error) {
	r = passRow{passKey: passKey{id: record.PassID(a.Pass.SHA256)}, pass: a.Pass, doc: b.doc}
	if a.Pass.Revision > 0 && isHex(a.Pass.ID) && len(a.Pass.ID) >= 12 {
		r.id, r.revision = a.Pass.ID, a.Pass.Revision
	}
	if r.cell, err = cellOf(ctx, tx, a.Pass.Tags); err != nil {
		return r, err
	}
	id := a.System.ID
	if id == "" && len(a.System.Fields) > 0 {
		id = a.System.Identity()
	}
	if id == "" {
		return r, nil
	}
	n, err := intern(ctx, tx, `SELECT n FROM system_rows WHERE id = ?`, `INSERT INTO system_rows (id, fields) VALUES (?, ?)`, []any{id}, b.fields)
	r.system = sql.NullInt64{Int64: n, Valid: err == nil}
	return r, err
}

// intern returns the number of the row that find finds, or of a new one.
func intern(ctx context.Context, tx *sql.Tx, find, insert string, key []any, more ...any) (n int64, err error) {
	err = tx.QueryRowContext(ctx, find, key...).Scan(&n)
	if !noRows(err) {
		return n, err
	}
	res, err := tx.ExecContext(ctx, insert, append(key, more...)...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

func cellOf(ctx context.Context, tx *sql.Tx, t record.Tags) (int64, error) {
	key := []any{
		t.Value(record.TagProcessor), t.Value(record.TagGraphics), t.Value(record.TagGame),
		t.Value(record.TagScene), t.Value(record.TagResolution), t.Value(record.TagPreset),
	}
	return intern(ctx, tx, `SELECT n FROM cell_rows WHERE cpu = ? AND gpu = ? AND game = ? AND scene = ? AND resolution = ? AND preset = ?`,
		`INSERT INTO cell_rows (cpu, gpu, game, scene, resolution, preset) VALUES (?, ?, ?, ?, ?, ?)`, key)
}

func insertPass(ctx context.Context, tx *sql.Tx, r *passRow, now string) error {
	p := r.pass
	// Twelve digits may meet by chance in a very large lab; then the name is longer.
	for digits := len(r.id); ; digits += 4 {
		var taken int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM pass_rows WHERE id = ?`, r.id).Scan(&taken); err != nil {
			return err
		}
		if taken == 0 || digits >= len(p.SHA256) {
			break
		}
		r.id = p.SHA256[:min(digits+4, len(p.SHA256))]
	}
	res, err := tx.ExecContext(ctx, `
		INSERT INTO pass_rows (id, sha256, bench, log, at, started_at, ended_at, log_at, stored_at, state, revision, cell, system, verdict, doc,
			frames, duration_s, avg_fps, median_ms, p95_ms, p99_ms, p999_ms, max_ms, low1_fps, low01_fps, low1_time_fps, p99_fps,
			hitches, low1_sparse, low01_sparse)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 'received', ?, ?, ?, '', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		append([]any{r.id, p.SHA256, p.Bench, p.Log, orderTime(p, now), stamp(p.StartedAt), stamp(p.EndedAt), stamp(p.LogAt), now, r.revision, r.cell, r.system, r.doc},
			figures(p.Metrics)...)...)
	if err != nil {
		return err
	}
	r.n, err = res.LastInsertId()
	return err
}

func orderTime(p record.Pass, now string) string {
	for _, t := range []time.Time{p.StartedAt, p.EndedAt, p.LogAt} {
		if !t.IsZero() {
			return stamp(t)
		}
	}
	return now
}

// figures returns the metrics in the order of their columns. What is not a number is
// NULL there.
func figures(m record.Metrics) []any {
	out := []any{m.Frames}
	for _, x := range []float64{m.DurationS, m.AvgFPS, m.MedianMS, m.P95MS, m.P99MS, m.P999MS, m.MaxMS, m.Low1FPS, m.Low01FPS, m.Low1TimeFPS, m.P99FPS} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			out = append(out, nil)
		} else {
			out = append(out, x)
		}
	}
	return append(out, m.Hitches, m.Low1Sparse, m.Low01Sparse)
}

// supersede keeps the pass as it stood with its old revision and puts the new one in its
// place. Findings and verdict belonged to the shorter log; a verdict that was set by hand
// stays in force, since no log outranks the reviewer.
func (s *Store) supersede(ctx context.Context, tx *sql.Tx, r passRow) error {
	old, err := loadPass(ctx, tx, r.n)
	if err != nil {
		return err
	}
	was, err := json.Marshal(old)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE revisions SET was = ? WHERE pass = ? AND revision = ?`, string(was), r.n, old.Revision); err != nil {
		return err
	}
	p := r.pass
	_, err = tx.ExecContext(ctx, `
		UPDATE pass_rows SET sha256 = ?, at = ?, started_at = ?, ended_at = ?, log_at = ?, state = 'received', revision = ?, cell = ?, system = ?,
			verdict = CASE overruled WHEN '' THEN '' ELSE verdict END, judgement = NULL, doc = ?,
			frames = ?, duration_s = ?, avg_fps = ?, median_ms = ?, p95_ms = ?, p99_ms = ?, p999_ms = ?, max_ms = ?, low1_fps = ?, low01_fps = ?,
			low1_time_fps = ?, p99_fps = ?, hitches = ?, low1_sparse = ?, low01_sparse = ?
		WHERE n = ?`,
		append(append([]any{p.SHA256, orderTime(p, stamp(s.now())), stamp(p.StartedAt), stamp(p.EndedAt), stamp(p.LogAt), r.revision, r.cell, r.system, r.doc},
			figures(p.Metrics)...), r.n)...)
	return err
}

func insertRevision(ctx context.Context, tx *sql.Tx, r passRow, a Arrival, b blobs, now string) error {
	res, err := tx.ExecContext(ctx, `INSERT INTO revisions (pass, revision, sha256, size, stored_at) VALUES (?, ?, ?, ?, ?)`,
		r.n, r.revision, a.Pass.SHA256, a.File.Size, now)
	if err != nil {
		return err
	}
	n, err := res.LastInsertId()
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO archives (revision, frames, telemetry, seconds, start_temp, log) VALUES (?, ?, ?, ?, ?, ?)`,
		n, b.frames, b.telemetry, b.seconds, b.startTemp, b.log)
	return err
}

// writeTags puts tags in the place of the stored ones. With keepHand, tags that the
// reviewer set by hand stay.
func writeTags(ctx context.Context, tx *sql.Tx, n int64, tags record.Tags, keepHand bool) error {
	final := tags
	if keepHand {
		final = record.Tags{}
		for name, t := range tags {
			final[name] = t
		}
		old, err := tagsOf(ctx, tx, n)
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
		if _, err := tx.ExecContext(ctx, `INSERT INTO tag_rows (pass, term, origin) VALUES (?, ?, ?)`, n, term, string(t.From)); err != nil {
			return err
		}
	}
	cell, err := cellOf(ctx, tx, final)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE pass_rows SET cell = ?, campaign = ? WHERE n = ?`, cell, final.Value(record.TagCampaign), n)
	return err
}

func termOf(ctx context.Context, tx *sql.Tx, name, value string) (int64, error) {
	return intern(ctx, tx, `SELECT n FROM terms WHERE name = ? AND value = ?`, `INSERT INTO terms (name, value) VALUES (?, ?)`, []any{name, value})
}
