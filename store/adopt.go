package store

import (
	"context"
	"database/sql"
	"errors"

	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Adopt stores a finished pass of another store: as [Store.Save], and in the same
// transaction its verdict and findings, state notified. What came from elsewhere never
// takes the place of a pass that was recorded here, of a verdict or a tag that was set here
// by hand, or of the bytes of a known log.
func (s *Store) Adopt(ctx context.Context, a Arrival) (id string, became Adoption, err error) {
	id, became, err = s.adopt(ctx, a, sqlbase.Stamp(s.now()))
	return id, became, sqlbase.Wrap(err, "adopt pass")
}

// adopt notes that the pass came from elsewhere at the given time; "" is for one that was
// recorded here.
func (s *Store) adopt(ctx context.Context, a Arrival, came string) (id string, became Adoption, err error) {
	if a.Pass.SHA256 == "" || a.Pass.Bench == "" {
		return "", 0, errors.New("the hash of the log and the name of the bench are required")
	}
	b, err := tables.EncodeArrival(a)
	if err != nil {
		return "", 0, err
	}
	a.File.Path = "" // that file lies on another bench
	err = s.write(ctx, func(tx *sql.Tx) error {
		k, b2, err := s.standing(ctx, tx, a)
		id, became = k.ID, b2
		if err != nil || became == Known || became == Kept {
			return err
		}
		var saved Saved
		if became == Renewed {
			saved, err = s.saveGrown(ctx, tx, k, a.Pass.Revision, a, b, false)
		} else {
			saved, err = s.saveNew(ctx, tx, a, b, came)
		}
		if err != nil {
			return err
		}
		id = saved.ID
		return s.adoptVerdict(ctx, tx, a, id)
	})
	return id, became, err
}

// standing says what is to become of a pass from elsewhere, and which one of ours it is.
func (s *Store) standing(ctx context.Context, tx *sql.Tx, a Arrival) (k tables.PassKey, became Adoption, err error) {
	if k, err = tables.PassOfHash(ctx, tx, a.Pass.SHA256); err == nil {
		became, err = tables.Alike(ctx, tx, k, a)
		return k, became, err
	}
	if !sqlbase.NoRows(err) {
		return k, 0, err
	}
	var blob []byte
	var free bool
	err = tx.QueryRowContext(ctx, `SELECT p.n, p.id, p.log, p.revision, x.frames, EXISTS (SELECT 1 FROM adopted o WHERE o.pass = p.n)
			AND NOT EXISTS (SELECT 1 FROM judgements j WHERE j.pass = p.n AND j.kind = 'overruled') AND NOT EXISTS (SELECT 1 FROM tag_changes t WHERE t.pass = p.n)
		FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision JOIN archives x ON x.revision = r.n
		WHERE p.id = ? AND p.bench = ?`, a.Pass.ID, a.Pass.Bench).Scan(&k.N, &k.ID, &k.Log, &k.Revision, &blob, &free)
	if sqlbase.NoRows(err) {
		return tables.PassKey{}, TakenIn, nil
	}
	if err != nil {
		return k, 0, err
	}
	stored, err := tables.DecodeFrames(blob)
	if err != nil {
		return k, Kept, nil // damaged here; nothing is to be hung on to that
	}
	switch {
	case tables.BeginsWith(stored.MS, a.Frames.MS):
		return k, Known, nil // as it was before its log grew
	case a.Pass.Revision <= k.Revision || !tables.BeginsWith(a.Frames.MS, stored.MS):
		return tables.PassKey{}, TakenIn, nil // another recording that claims this identity
	case !free:
		return k, Kept, nil
	}
	return k, Renewed, nil
}

func (s *Store) adoptVerdict(ctx context.Context, tx *sql.Tx, a Arrival, id string) error {
	k, err := tables.KeyOf(ctx, tx, id)
	if err != nil {
		return err
	}
	return tables.ChangeSealed(ctx, tx, []int64{k.N}, []int{tables.GroupLog, tables.GroupVerdict}, func() error {
		for _, name := range a.Pass.Names {
			if err := tables.AddName(ctx, tx, k.N, k.Log, name); err != nil {
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
		_, err = tx.ExecContext(ctx,
			`UPDATE pass_rows SET judgement = ?, verdict = ?, overruled = ?, state = 'notified' WHERE n = ?`,
			j, string(a.Pass.Verdict), a.Pass.Overruled, k.N)
		return err
	})
}
