package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

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
	blobs, err := tables.EncodeArrival(a)
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

func (s *Store) save(ctx context.Context, tx *sql.Tx, a Arrival, b tables.Blobs) (out Saved, err error) {
	known, err := tables.PassOfHash(ctx, tx, a.Pass.SHA256)
	switch {
	case err == nil:
		out, err = s.seenAgain(ctx, tx, known, a, b)
	case sqlbase.NoRows(err):
		var old tables.PassKey
		var grown bool
		if old, grown, err = s.grownFrom(ctx, tx, a); err != nil {
			break
		}
		if grown {
			out, err = s.saveGrown(ctx, tx, old, old.Revision+1, a, b, true)
		} else {
			out, err = s.saveNew(ctx, tx, a, b, "")
		}
	}
	if err != nil {
		return Saved{}, err
	}
	if out.Created {
		for key, value := range a.Settings {
			if err := tables.SetSetting(ctx, tx, key, value); err != nil {
				return Saved{}, err
			}
		}
	}
	return out, s.remember(ctx, tx, a.File, a.Pass.SHA256, "")
}

// saveNew stores a pass that is not known, with the time at which it came from elsewhere,
// "" where it was recorded here.
func (s *Store) saveNew(ctx context.Context, tx *sql.Tx, a Arrival, b tables.Blobs, came string) (Saved, error) {
	row, err := s.rowOf(ctx, tx, a, b)
	if err != nil {
		return Saved{}, err
	}
	now := sqlbase.Stamp(s.now())
	if err := tables.InsertPass(ctx, tx, &row, now); err != nil {
		return Saved{}, err
	}
	if came != "" {
		if _, err := tx.ExecContext(ctx, `INSERT INTO adopted (pass, at) VALUES (?, ?)`, row.N, came); err != nil {
			return Saved{}, err
		}
	}
	if err := tables.InsertRevision(ctx, tx, row, a, b, now); err != nil {
		return Saved{}, err
	}
	if err := tables.WriteTags(ctx, tx, row.N, a.Pass.Tags, false); err != nil {
		return Saved{}, err
	}
	return Saved{ID: row.ID, Created: true, Revision: row.Revision}, tables.Seal(ctx, tx, []int64{row.N})
}

// saveGrown stores an arrival as the given revision of a pass; with keepHand, tags that
// were set by hand stay.
func (s *Store) saveGrown(ctx context.Context, tx *sql.Tx, old tables.PassKey, revision int, a Arrival, b tables.Blobs,
	keepHand bool) (Saved, error) {
	row, err := s.rowOf(ctx, tx, a, b)
	if err != nil {
		return Saved{}, err
	}
	row.N, row.ID, row.Revision = old.N, old.ID, revision
	err = tables.ChangeSealed(ctx, tx, []int64{row.N}, tables.EveryGroup, func() error {
		if err := s.supersede(ctx, tx, row); err != nil {
			return err
		}
		if err := tables.AddName(ctx, tx, row.N, old.Log, a.Pass.Log); err != nil {
			return err
		}
		if err := tables.InsertRevision(ctx, tx, row, a, b, sqlbase.Stamp(s.now())); err != nil {
			return err
		}
		return tables.WriteTags(ctx, tx, row.N, a.Pass.Tags, keepHand)
	})
	return Saved{ID: row.ID, Created: true, Revision: row.Revision}, err
}

// seenAgain notes another name of bytes that are stored. Where the pass came from
// elsewhere the log itself has arrived now: it counts as recorded here from then on, and
// what it says takes the place of frame times that it does not hold.
func (s *Store) seenAgain(ctx context.Context, tx *sql.Tx, k tables.PassKey, a Arrival, b tables.Blobs) (Saved, error) {
	var adopted, named bool
	var blob []byte
	err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM adopted WHERE pass = ?1), ?2 IN ('', ?3) OR EXISTS (SELECT 1 FROM names WHERE pass = ?1 AND path = ?2),
		(SELECT x.frames FROM revisions r JOIN archives x ON x.revision = r.n WHERE r.sha256 = ?4)`,
		k.N, a.Pass.Log, k.Log, a.Pass.SHA256).Scan(&adopted, &named, &blob)
	out := Saved{ID: k.ID, Revision: k.Revision}
	if err != nil || named && !adopted {
		return out, err
	}
	err = tables.ChangeSealed(ctx, tx, []int64{k.N}, tables.EveryGroup, func() error {
		if err := tables.AddName(ctx, tx, k.N, k.Log, a.Pass.Log); err != nil || !adopted {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM adopted WHERE pass = ?`, k.N); err != nil {
			return err
		}
		if stored, err := tables.DecodeFrames(blob); err == nil && slices.Equal(stored.MS, a.Frames.MS) {
			return nil
		}
		var current bool // an earlier revision is not what the pass is now
		if err := tx.QueryRowContext(ctx, `SELECT sha256 = ? FROM pass_rows WHERE n = ?`, a.Pass.SHA256, k.N).
			Scan(&current); err != nil || !current {
			return err
		}
		out.Created = true
		return s.correct(ctx, tx, k, a, b)
	})
	return out, err
}

// correct puts what a log says in the place of what was said about it elsewhere.
func (s *Store) correct(ctx context.Context, tx *sql.Tx, k tables.PassKey, a Arrival, b tables.Blobs) error {
	row, err := s.rowOf(ctx, tx, a, b)
	if err != nil {
		return err
	}
	row.N, row.ID, row.Revision = k.N, k.ID, k.Revision
	if err := s.supersede(ctx, tx, row); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE pass_rows SET bench = ?, log = ? WHERE n = ?`, a.Pass.Bench, a.Pass.Log,
		k.N); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE archives SET frames = ?, telemetry = ?, seconds = ?, start_temp = ?, log = ?
		WHERE revision = (SELECT n FROM revisions WHERE sha256 = ?)`, b.Frames, b.Telemetry, b.Seconds, b.StartTemp, b.Log, a.Pass.SHA256)
	if err != nil {
		return err
	}
	return tables.WriteTags(ctx, tx, k.N, a.Pass.Tags, true)
}

// grownFrom finds the pass whose log has grown into the arrival: same bench, same path or
// same file under another name, fewer bytes, and the stored frames stand at the front of
// the new ones. The last stored frame may differ, since its line may have been written
// only in part. The identity of the file only says where to look: under another name
// [followed] decides as well. At the same path the start decides as well where
// the stored frames are what another recording may begin with too, see [telling].
func (s *Store) grownFrom(ctx context.Context, tx *sql.Tx, a Arrival) (tables.PassKey, bool, error) {
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
		return tables.PassKey{}, false, err
	}
	for rows.Next() {
		var k tables.PassKey
		var size int64
		var blob []byte
		var started string
		var here bool
		if err := rows.Scan(&k.N, &k.ID, &k.Log, &k.Revision, &size, &blob, &started, &here); err != nil {
			rows.Close()
			return k, false, err
		}
		if a.File.Size <= size {
			continue
		}
		// A damaged old pass must not hold up a new one.
		old, err := tables.DecodeFrames(blob)
		if err != nil || !tables.BeginsWith(a.Frames.MS, old.MS) {
			continue
		}
		if here && (tables.Telling(old.MS) || !tables.Apart(a.Pass.StartedAt, started)) ||
			tables.Followed(a.Pass.StartedAt, started, len(old.MS)) {
			return k, true, sqlbase.CloseRows(rows)
		}
	}
	return tables.PassKey{}, false, sqlbase.CloseRows(rows)
}

func (s *Store) rowOf(ctx context.Context, tx *sql.Tx, a Arrival, b tables.Blobs) (r tables.PassRow, err error) {
	r = tables.PassRow{PassKey: tables.PassKey{ID: record.PassID(a.Pass.SHA256)}, Pass: a.Pass, Doc: b.Doc}
	if a.Pass.Revision > 0 && sqlbase.IsHex(a.Pass.ID) && len(a.Pass.ID) >= 12 {
		r.ID, r.Revision = a.Pass.ID, a.Pass.Revision
	}
	if r.Cell, err = tables.CellOf(ctx, tx, a.Pass.Tags); err != nil {
		return r, err
	}
	id := a.System.ID
	if id == "" && len(a.System.Fields) > 0 {
		id = a.System.Identity()
	}
	if id == "" {
		return r, nil
	}
	n, err := tables.Intern(ctx, tx, `SELECT n FROM system_rows WHERE id = ?`,
		`INSERT INTO system_rows (id, fields) VALUES (?, ?)`, []any{id}, b.Fields)
	r.System = sql.NullInt64{Int64: n, Valid: err == nil}
	return r, err
}

// supersede keeps the pass as it stood with its old revision and puts the new one in its
// place. Findings and verdict belonged to the shorter log; a verdict that was set by hand
// stays in force, since no log outranks the reviewer.
func (s *Store) supersede(ctx context.Context, tx *sql.Tx, r tables.PassRow) error {
	old, err := tables.LoadPass(ctx, tx, r.N)
	if err != nil {
		return err
	}
	was, err := json.Marshal(old)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE revisions SET was = ? WHERE pass = ? AND revision = ?`, string(was), r.N,
		old.Revision); err != nil {
		return err
	}
	p := r.Pass
	_, err = tx.ExecContext(ctx, `
		UPDATE pass_rows SET sha256 = ?, at = ?, started_at = ?, ended_at = ?, log_at = ?, state = 'received', revision = ?, cell = ?, system = ?,
			verdict = CASE overruled WHEN '' THEN '' ELSE verdict END, judgement = NULL, doc = ?,
			frames = ?, duration_s = ?, avg_fps = ?, median_ms = ?, p95_ms = ?, p99_ms = ?, p999_ms = ?, max_ms = ?, low1_fps = ?, low01_fps = ?,
			low1_time_fps = ?, p99_fps = ?, hitches = ?, low1_sparse = ?, low01_sparse = ?
		WHERE n = ?`,
		append(append([]any{p.SHA256, tables.OrderTime(p, sqlbase.Stamp(s.now())), sqlbase.Stamp(p.StartedAt),
			sqlbase.Stamp(p.EndedAt), sqlbase.Stamp(p.LogAt), r.Revision, r.Cell, r.System, r.Doc},
			tables.Figures(p.Metrics)...), r.N)...)
	return err
}
