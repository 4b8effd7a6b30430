package tables

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"capd.example/store/internal/sqlbase"
)

// AdoptedAt is when a pass came from elsewhere, "" for one of this bench.
func AdoptedAt(ctx context.Context, tx *sql.Tx, n int64) (at string, err error) {
	err = tx.QueryRowContext(ctx, `SELECT at FROM adopted WHERE pass = ?`, n).Scan(&at)
	if sqlbase.NoRows(err) {
		return "", nil
	}
	return at, err
}

// WholePass reads everything about one pass; what could be read is returned beside an error.
func WholePass(ctx context.Context, tx *sql.Tx, n int64) (a Arrival, err error) {
	if a.Pass, err = LoadPass(ctx, tx, n); err != nil {
		if errors.Is(err, sqlbase.ErrNotFound) {
			err = fmt.Errorf("%w: its row is missing", sqlbase.ErrCorrupt)
		}
		return a, err
	}
	var frames, telemetry, seconds, log []byte
	var sampled, kept bool
	err = tx.QueryRowContext(ctx, `SELECT x.frames, x.telemetry, x.seconds, x.log, x.telemetry IS NOT NULL, x.log IS NOT NULL, r.size FROM revisions r JOIN archives x ON x.revision = r.n
		WHERE r.pass = ? AND r.revision = ?`, n, a.Pass.Revision).Scan(&frames, &telemetry, &seconds, &log, &sampled, &kept, &a.File.Size)
	if sqlbase.NoRows(err) {
		return a, fmt.Errorf("%w: its frame times are missing", sqlbase.ErrCorrupt)
	}
	if err != nil {
		return a, err
	}
	var problems []error
	note := func(err error) { problems = append(problems, Damaged(err)) }
	a.Frames, err = DecodeFrames(frames)
	note(err)
	_, err = DecodeFrames(seconds)
	note(err)
	if sampled {
		a.Telemetry, err = DecodeTelemetry(telemetry)
		note(err)
	}
	if kept {
		a.LogBytes, err = Unpack(LogVersion, log)
		note(err)
	}
	if a.Pass.System != "" {
		a.System, err = LoadSystem(ctx, tx, `SELECT id, fields FROM system_rows WHERE id = ?`, a.Pass.System)
		note(err)
	}
	return a, errors.Join(problems...)
}
