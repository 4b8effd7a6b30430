package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Passes returns the selected passes with tags and findings.
func (s *Store) Passes(ctx context.Context, f Filter) (out []record.Pass, err error) {
	err = s.Each(ctx, f, func(p record.Pass) error {
		out = append(out, p)
		return nil
	})
	return out, err
}

// Each calls fn for every selected pass, in order, on one unchanging view of the store.
// It holds a bounded number of passes in memory and stops at fn's first error.
func (s *Store) Each(ctx context.Context, f Filter, fn func(record.Pass) error) error {
	return s.walk(ctx, f, tables.LoadPasses, fn)
}

// walk calls fn for every selected pass as load reads it.
func (s *Store) walk(ctx context.Context, f Filter, load func(context.Context, *sql.Tx, []int64) ([]record.Pass, error),
	fn func(record.Pass) error) error {
	err := s.read(ctx, func(tx *sql.Tx) error {
		numbers, err := tables.SelectPasses(ctx, tx, f)
		if err != nil {
			return err
		}
		for part := range slices.Chunk(numbers, tables.Batch) {
			passes, err := load(ctx, tx, part)
			if err != nil {
				return err
			}
			for _, p := range passes {
				if err := fn(p); err != nil {
					return err
				}
			}
		}
		return nil
	})
	return sqlbase.Wrap(err, "read passes")
}

// Lean calls fn for every selected pass as [Store.Each] does, with what conclusions read:
// identity, log, bench, times, system, tags, verdict and figures. Of claims there is one that
// says so where the system was found after the pass had ended. Of findings there are those
// that are bad and those of the named checks; none where checks is nil. Tags are shared by
// passes that bear the same and must not be changed.
func (s *Store) Lean(ctx context.Context, f Filter, checks []string, fn func(record.Pass) error) error {
	return s.walk(ctx, f, tables.NewLean(checks).Load, fn)
}

// Batches counts the selected passes by campaign; limit and offset do not count.
func (s *Store) Batches(ctx context.Context, f Filter) (out []Batch, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		out, err = tables.Batches(ctx, tx, f)
		return err
	})
	return out, sqlbase.Wrap(err, "count passes by campaign")
}

// Count returns how many passes a filter selects; limit and offset do not count.
func (s *Store) Count(ctx context.Context, f Filter) (n int, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		p, err := f.Plan(ctx, tx)
		if err != nil {
			return err
		}
		text, args := p.From(p.Rarest())
		return tx.QueryRowContext(ctx, `SELECT count(*) FROM pass_rows p WHERE `+text, args...).Scan(&n)
	})
	return n, sqlbase.Wrap(err, "count passes")
}

// Pass returns the pass whose identity begins with prefix: [ErrNotFound] or
// [ErrAmbiguous] where that is not one.
func (s *Store) Pass(ctx context.Context, prefix string) (p record.Pass, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, prefix)
		if err != nil {
			return err
		}
		p, err = tables.LoadPass(ctx, tx, k.N)
		return err
	})
	return p, sqlbase.Wrap(err, "read pass")
}

// Frames returns the frame times of the current revision of a pass.
func (s *Store) Frames(ctx context.Context, id string) (f record.Frames, err error) {
	blob, _, err := s.archive(ctx, id, "frames")
	if err == nil {
		f, err = tables.DecodeFrames(blob)
		err = tables.Damaged(err)
	}
	return f, sqlbase.Wrap(err, "frame times of pass %s", id)
}

// Telemetry returns the samples of a pass, nil where none were taken.
func (s *Store) Telemetry(ctx context.Context, id string) (t *record.Telemetry, err error) {
	blob, there, err := s.archive(ctx, id, "telemetry")
	if err == nil && there {
		t, err = tables.DecodeTelemetry(blob)
		err = tables.Damaged(err)
	}
	return t, sqlbase.Wrap(err, "telemetry of pass %s", id)
}

// Current asks for the latest revision of a pass.
const Current = -1

// KeptLog is the log of one revision of a pass, as far as it was kept.
type KeptLog struct {
	Revision  int
	Bytes     []byte    // nil where it was not kept
	DroppedAt time.Time // when retention took it; zero where it did not
}

// Log returns the log of a revision of a pass, [Current] for the latest: [ErrNoRevision]
// where the pass has no such.
func (s *Store) Log(ctx context.Context, id string, revision int) (log KeptLog, err error) {
	var blob []byte
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		if log.Revision = revision; revision == Current {
			log.Revision = k.Revision
		}
		var dropped string
		err = tx.QueryRowContext(ctx, `SELECT x.log, coalesce((SELECT at FROM dropped d WHERE d.revision = r.n AND d.part = 'log'), '')
			FROM revisions r JOIN archives x ON x.revision = r.n WHERE r.pass = ? AND r.revision = ?`, k.N, log.Revision).Scan(&blob, &dropped)
		if sqlbase.NoRows(err) {
			return fmt.Errorf("%w: %d (the latest is %d)", ErrNoRevision, revision, k.Revision)
		}
		if err == nil {
			log.DroppedAt, err = sqlbase.Unstamp(dropped)
		}
		return err
	})
	if err == nil && blob != nil {
		log.Bytes, err = tables.Unpack(tables.LogVersion, blob)
		err = tables.Damaged(err)
	}
	return log, sqlbase.Wrap(err, "log of pass %s", id)
}

// archive reads one column of archives and whether it holds anything; its name is never
// the user's.
func (s *Store) archive(ctx context.Context, id, column string) (blob []byte, there bool, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT x.`+column+`, x.`+column+
			` IS NOT NULL FROM revisions r JOIN archives x ON x.revision = r.n WHERE r.pass = ? AND r.revision = ?`,
			k.N, k.Revision).Scan(&blob, &there)
	})
	return blob, there, err
}

// Evidence returns what was stored about a pass as validators see it, without
// expectation and earlier passes.
func (s *Store) Evidence(ctx context.Context, id string) (e record.Evidence, err error) {
	if e.Pass, err = s.Pass(ctx, id); err != nil {
		return e, err
	}
	if e.Frames, err = s.Frames(ctx, e.Pass.ID); err != nil {
		return e, err
	}
	if e.Telemetry, err = s.Telemetry(ctx, e.Pass.ID); err != nil {
		e.Telemetry, e.TelemetryWhy = nil, err.Error()
	} else if e.Telemetry == nil {
		at, err := s.Dropped(ctx, e.Pass.ID, "telemetry")
		if err != nil {
			return e, err
		}
		if !at.IsZero() {
			e.TelemetryWhy = "the samples were dropped by 'capctl retain' on " + at.Format(time.DateOnly)
		}
	}
	if e.Pass.System != "" {
		e.System, err = s.System(ctx, e.Pass.System)
	}
	return e, err
}
