package store

import (
	"context"
	"database/sql"
	"errors"
	"reflect"
)

// Adoption is what became of a pass that came from elsewhere.
type Adoption int

// The ways in which [Store.Adopt] ends.
const (
	TakenIn Adoption = iota + 1 // it was not known
	Known                       // its bytes are stored, or more of the same log; nothing was changed
	Kept                        // it stands here otherwise, and what is here stays
	Renewed                     // it came from elsewhere before and its log has grown there
)

// Adopt stores a finished pass of another store: as [Store.Save], and in the same
// transaction its verdict and findings, state notified. What came from elsewhere never
// takes the place of a pass that was recorded here, of a verdict or a tag that was set here
// by hand, or of the bytes of a known log.
func (s *Store) Adopt(ctx context.Context, a Arrival) (id string, became Adoption, err error) {
	id, became, err = s.adopt(ctx, a, stamp(s.now()))
	return id, became, wrap(err, "adopt pass")
}

// adopt notes that the pass came from elsewhere at the given time; "" is for one that was
// recorded here.
func (s *Store) adopt(ctx context.Context, a Arrival, came string) (id string, became Adoption, err error) {
	if a.Pass.SHA256 == "" || a.Pass.Bench == "" {
		return "", 0, errors.New("the hash of the log and the name of the bench are required")
	}
	b, err := encodeArrival(a)
	if err != nil {
		return "", 0, err
	}
	a.File.Path = "" // that file lies on another bench
	err = s.write(ctx, func(tx *sql.Tx) error {
		k, b2, err := s.standing(ctx, tx, a)
		id, became = k.id, b2
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
func (s *Store) standing(ctx context.Context, tx *sql.Tx, a Arrival) (k passKey, became Adoption, err error) {
	if k, err = passOfHash(ctx, tx, a.Pass.SHA256); err == nil {
		became, err = alike(ctx, tx, k, a)
		return k, became, err
	}
	if !noRows(err) {
		return k, 0, err
	}
	var blob []byte
	var free bool
	err = tx.QueryRowContext(ctx, `SELECT p.n, p.id, p.log, p.revision, x.frames, EXISTS (SELECT 1 FROM adopted o WHERE o.pass = p.n)
			AND NOT EXISTS (SELECT 1 FROM judgements j WHERE j.pass = p.n AND j.kind = 'overruled') AND NOT EXISTS (SELECT 1 FROM tag_changes t WHERE t.pass = p.n)
		FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision JOIN archives x ON x.revision = r.n
		WHERE p.id = ? AND p.bench = ?`, a.Pass.ID, a.Pass.Bench).Scan(&k.n, &k.id, &k.log, &k.revision, &blob, &free)
	if noRows(err) {
		return passKey{}, TakenIn, nil
	}
	if err != nil {
		return k, 0, err
	}
	stored, err := DecodeFrames(blob)
	if err != nil {
		return k, Kept, nil // damaged here; nothing is to be hung on to that
	}
	switch {
	case beginsWith(stored.MS, a.Frames.MS):
		return k, Known, nil // as it was before its log grew
	case a.Pass.Revision <= k.revision || !beginsWith(a.Frames.MS, stored.MS):
		return passKey{}, TakenIn, nil // another recording that claims this identity
	case !free:
		return k, Kept, nil
	}
	return k, Renewed, nil
}

// alike tells whether a pass of the same bytes says the same here. What was recorded here
// and what came from elsewhere before are alike in that nothing is changed.
func alike(ctx context.Context, tx *sql.Tx, k passKey, a Arrival) (Adoption, error) {
	p, err := loadPass(ctx, tx, k.n)
	if err != nil {
		return 0, err
	}
	if p.SHA256 != a.Pass.SHA256 { // it has grown here since
		return Known, nil
	}
	if p.Verdict != a.Pass.Verdict || p.Overruled != a.Pass.Overruled || !reflect.DeepEqual(p.Tags, a.Pass.Tags) {
		return Kept, nil
	}
	var blob []byte
	err = tx.QueryRowContext(ctx, `SELECT x.frames FROM revisions r JOIN archives x ON x.revision = r.n WHERE r.sha256 = ?`, a.Pass.SHA256).Scan(&blob)
	if err != nil {
		return 0, err
	}
	if f, err := DecodeFrames(blob); err == nil && !reflect.DeepEqual(f.MS, a.Frames.MS) {
		return Kept, nil
	}
	return Known, nil
}

func (s *Store) adoptVerdict(ctx context.Context, tx *sql.Tx, a Arrival, id string) error {
	k, err := keyOf(ctx, tx, id)
	if err != nil {
		return err
	}
	return change(ctx, tx, []int64{k.n}, []int{groupLog, groupVerdict}, func() error {
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
}
