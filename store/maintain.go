package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"capd.example/record"
)

// Problem is something damaged in a store.
type Problem struct {
	Pass string `json:"pass,omitempty"` // "" where it concerns the file as a whole
	Log  string `json:"log,omitempty"`  // where the pass's log was, to read it again
	What string `json:"what"`
}

// Report is the outcome of [Store.Verify].
type Report struct {
	Passes   int       `json:"passes"`
	Whole    int       `json:"whole"` // passes of which every part could be read
	Problems []Problem `json:"problems"`
}

// Verify reads everything: the pages of the file, the references between rows, and each
// pass with its frame times, telemetry, log and system. Damage is in the report, not an
// error; an error means that the store could not be looked at.
func (s *Store) Verify(ctx context.Context) (r Report, err error) {
	r.Problems = append(s.pages(ctx), s.keptFigures(ctx)...)
	numbers, err := s.numbers(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return r, ctx.Err()
		}
		r.Problems = append(r.Problems, Problem{What: "the list of passes cannot be read: " + s.explain(err).Error()})
		return r, nil
	}
	r.Passes = len(numbers)
	for _, n := range numbers {
		if ctx.Err() != nil {
			return r, ctx.Err()
		}
		if p, ok := s.verifyPass(ctx, n); ok {
			r.Whole++
		} else {
			r.Problems = append(r.Problems, p)
		}
	}
	return r, nil
}

// pages runs the database's own checks.
func (s *Store) pages(ctx context.Context) (out []Problem) {
	for _, check := range []string{"PRAGMA integrity_check(50)", "PRAGMA foreign_key_check"} {
		rows, err := s.db.QueryContext(ctx, check)
		if err != nil {
			out = append(out, Problem{What: s.explain(err).Error()})
			continue
		}
		columns, _ := rows.Columns()
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
				out = append(out, Problem{What: "a row of " + what + " refers to one that is missing"})
			} else if what != "ok" {
				out = append(out, Problem{What: what})
			}
		}
		if err := closeRows(rows); err != nil {
			out = append(out, Problem{What: s.explain(err).Error()})
		}
	}
	return out
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
	err := s.db.QueryRowContext(ctx, "SELECT count(*) FROM cell_rows c JOIN cell_figures f ON f.n = c.n WHERE c.passes IS NOT NULL AND ("+where+")").Scan(&n)
	switch {
	case err != nil:
		return []Problem{{What: "the kept figures of cells: " + s.explain(err).Error()}}
	case n > 0:
		return []Problem{{What: fmt.Sprintf("the kept figures of %s are not those of their passes", record.Count(n, "cell"))}}
	}
	return nil
}

// numbers lists all passes by whichever way is still readable.
func (s *Store) numbers(ctx context.Context) (out []int64, err error) {
	for _, query := range []string{"SELECT n FROM pass_rows NOT INDEXED ORDER BY n", "SELECT n FROM pass_rows INDEXED BY passes_at", "SELECT DISTINCT pass FROM revisions"} {
		out = nil
		var rows *sql.Rows
		if rows, err = s.db.QueryContext(ctx, query); err != nil {
			continue
		}
		for rows.Next() {
			var n int64
			if err = rows.Scan(&n); err != nil {
				break
			}
			out = append(out, n)
		}
		if e := closeRows(rows); err == nil {
			err = e
		}
		if err == nil {
			return out, nil
		}
	}
	return nil, err
}

func (s *Store) verifyPass(ctx context.Context, n int64) (Problem, bool) {
	w, err := s.whole(ctx, n)
	if err == nil && w.Frames.MS != nil && len(w.Frames.MS) != w.Pass.Metrics.Frames {
		err = fmt.Errorf("%d frame times are stored, its figures were made from %d", len(w.Frames.MS), w.Pass.Metrics.Frames)
	}
	if err == nil {
		return Problem{}, true
	}
	id := w.Pass.ID
	if id == "" {
		id = fmt.Sprintf("number %d", n)
	}
	return Problem{Pass: id, Log: w.Pass.Log, What: s.explain(err).Error()}, false
}

// whole reads everything about one pass; what could be read is returned beside an error.
func (s *Store) whole(ctx context.Context, n int64) (a Arrival, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		if a.Pass, err = loadPass(ctx, tx, n); err != nil {
			return err
		}
		var frames, telemetry, seconds, log []byte
		var sampled, kept bool
		err := tx.QueryRowContext(ctx, `SELECT x.frames, x.telemetry, x.seconds, x.log, x.telemetry IS NOT NULL, x.log IS NOT NULL, r.size FROM revisions r JOIN archives x ON x.revision = r.n
			WHERE r.pass = ? AND r.revision = ?`, n, a.Pass.Revision).Scan(&frames, &telemetry, &seconds, &log, &sampled, &kept, &a.File.Size)
		if noRows(err) {
			return fmt.Errorf("%w: its frame times are missing", ErrCorrupt)
		}
		if err != nil {
			return err
		}
		var problems []error
		note := func(err error) { problems = append(problems, damaged(err)) }
		a.Frames, err = DecodeFrames(frames)
		note(err)
		_, err = DecodeFrames(seconds)
		note(err)
		if sampled {
			a.Telemetry, err = DecodeTelemetry(telemetry)
			note(err)
		}
		if kept {
			a.LogBytes, err = unpack(logVersion, log)
			note(err)
		}
		if a.Pass.System != "" {
			a.System, err = loadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, a.Pass.System)
			note(err)
		}
		return errors.Join(problems...)
	})
	return a, err
}

// Backup writes a whole and compact copy of the store to a new file while the store is in
// use. The copy appears under its name only when it is complete and on the disk.
func (s *Store) Backup(ctx context.Context, to string) error {
	if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("back up the store: %s exists already: name another file", to)
	}
	part := to + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("back up the store: %w", err)
	}
	if err := s.copyTo(ctx, part); err != nil {
		os.Remove(part)
		return fmt.Errorf("back up the store: %w", err)
	}
	if err := os.Rename(part, to); err != nil {
		return fmt.Errorf("back up the store: %w", err)
	}
	syncDir(filepath.Dir(to))
	return nil
}

func (s *Store) copyTo(ctx context.Context, part string) error {
	// Made here first, for a plain error where that is not possible and for its mode.
	made, err := os.OpenFile(part, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	if err := made.Close(); err != nil {
		return err
	}
	// A connection of its own, since query_only would forbid the copying as well.
	db, err := sql.Open("sqlite", dsn(s.path, "ro", busyPragma(s.busy)))
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return fmt.Errorf("copy to %s: %w", part, s.explain(err))
	}
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	err = f.Sync()
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	// What cannot be opened again is no backup.
	copied, err := Open(ctx, part, Options{ReadOnly: true})
	if err != nil {
		return err
	}
	return copied.Close()
}

// syncDir makes a rename last; systems that cannot do so need not.
func syncDir(dir string) {
	if d, err := os.Open(dir); err == nil {
		d.Sync()
		d.Close()
	}
}

// Compact gives unused space back to the disk. It needs free space for a second copy
// while it works and holds writers off.
func (s *Store) Compact(ctx context.Context) (before, after int64, err error) {
	size := func() int64 {
		var n int64
		for _, suffix := range []string{"", "-wal"} {
			if info, err := os.Stat(s.path + suffix); err == nil {
				n += info.Size()
			}
		}
		return n
	}
	before = size()
	for _, step := range []string{"VACUUM", "PRAGMA wal_checkpoint(TRUNCATE)", "PRAGMA optimize"} {
		if _, err := s.db.ExecContext(ctx, step); err != nil {
			return before, size(), fmt.Errorf("compact the store: %w", s.explain(err))
		}
	}
	return before, size(), nil
}

// Salvage copies every pass that is still whole from a damaged store into a new one at
// path, with tags, verdict and findings as they stand now and what retention knows of it.
// The report lists what could not be copied, with the logs to read again. Histories are
// not copied.
func (s *Store) Salvage(ctx context.Context, path string) (r Report, err error) {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return r, fmt.Errorf("salvage: %s exists already: name another file", path)
	}
	to, err := Open(ctx, path, Options{Now: s.now})
	if err != nil {
		return r, fmt.Errorf("salvage: %w", err)
	}
	defer to.Close()
	numbers, err := s.numbers(ctx)
	if err != nil {
		return r, fmt.Errorf("salvage: %w", s.explain(err))
	}
	r.Passes = len(numbers)
	for _, n := range numbers {
		if p, ok := s.verifyPass(ctx, n); !ok {
			r.Problems = append(r.Problems, p)
			continue
		}
		a, err := s.whole(ctx, n)
		if err != nil {
			return r, fmt.Errorf("salvage: %w", err)
		}
		saved, err := to.Adopt(ctx, a)
		if err != nil {
			return r, fmt.Errorf("salvage: %w", err)
		}
		r.Whole++
		notes, err := s.retentionOf(ctx, n)
		if err != nil {
			if ctx.Err() != nil {
				return r, ctx.Err()
			}
			r.Problems = append(r.Problems, Problem{Pass: saved.ID, Log: a.Pass.Log,
				What: "it was copied, but not what retention noted of it: " + s.explain(err).Error()})
			continue
		}
		if err := to.noteRetention(ctx, saved.ID, notes); err != nil {
			return r, fmt.Errorf("salvage: %w", err)
		}
	}
	return r, nil
}

// Adopt stores a finished pass of another store: as [Store.Save], and in the same
// transaction its verdict and findings, state notified. A pass whose bytes are known
// already is left as it is.
func (s *Store) Adopt(ctx context.Context, a Arrival) (Saved, error) {
	if a.Pass.SHA256 == "" || a.Pass.Bench == "" {
		return Saved{}, errors.New("adopt pass: the hash of the log and the name of the bench are required")
	}
	b, err := encodeArrival(a)
	if err != nil {
		return Saved{}, fmt.Errorf("adopt pass: %w", err)
	}
	a.File.Path = "" // that file lies on another bench
	var out Saved
	err = s.write(ctx, func(tx *sql.Tx) error {
		if out, err = s.save(ctx, tx, a, b); err != nil || !out.Created {
			return err
		}
		k, err := keyOf(ctx, tx, out.ID)
		if err != nil {
			return err
		}
		for _, name := range a.Pass.Names {
			if err := addName(ctx, tx, k.n, k.log, name); err != nil {
				return err
			}
		}
		if a.Pass.Verdict == "" {
			return nil // not judged where it came from: the agent here takes it up
		}
		j, err := s.judgement(ctx, tx, k, "checked", a.Pass.Verdict, a.Pass.Overruled, "", a.Pass.Findings)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE pass_rows SET judgement = ?, verdict = ?, overruled = ?, state = 'notified' WHERE n = ?`,
			j, string(a.Pass.Verdict), a.Pass.Overruled, k.n)
		return err
	})
	return out, wrap(err, "adopt pass")
}

// Whole returns everything that is stored about a pass, as [Store.Adopt] takes it.
func (s *Store) Whole(ctx context.Context, id string) (a Arrival, err error) {
	var n int64
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := keyOf(ctx, tx, id)
		n = k.n
		return err
	})
	if err == nil {
		a, err = s.whole(ctx, n)
	}
	return a, wrap(err, "read pass %s", id)
}
