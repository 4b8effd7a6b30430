package store

import (
	"context"
	"database/sql"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Beside returns the judged passes of the cell of p on its bench without p itself, up to 32
// that started before it and 32 after, in order of their start, then identity. Factors are
// the tags that make a cell. The mark says how all of them and p stand, for [Store.Settle].
// It is [ErrMeanwhile] where the stored p has other
// tags, a later log or another verdict by hand than p.
func (s *Store) Beside(ctx context.Context, p record.Pass, factors []string) (list []record.Pass, mark string,
	err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		var numbers []int64
		if numbers, mark, err = tables.Beside(ctx, tx, p, factors); err != nil {
			return err
		}
		list, err = tables.LoadPasses(ctx, tx, numbers)
		return err
	})
	return list, mark, sqlbase.Wrap(err, "look for the passes beside %s", p.ID)
}

// Settled is what was found about passes of one cell at one time.
type Settled struct {
	Pass   record.Pass   // that was looked at, with findings and verdict by them; tags and revision as then
	Others []record.Pass // beside it, whose findings are other ones by it
	Mark   string        // of [Store.Beside]
	Cell   []string      // the tags that make a cell, as for [Store.Beside]

	// Why and who stand in the history of findings that replace others. Those of a pass
	// beside whose verdict by them stays are put in the place of the old ones.
	Why, Who string
	// Tell puts a pass that was told about back to checked where its verdict is another one
	// now: people are to be told. Without, whoever calls tells them.
	Tell bool

	// Later is how many passes that started after a pass saw it when they were judged. So many
	// are to be judged again where the pass is new in their cell, has left it, or is judged
	// otherwise than before by another check than Among, which holds the passes of a cell
	// against each other. Again stands in the history of those then.
	Later        int
	Among, Again string
}

// Settle stores what was found, all or nothing: [ErrMeanwhile] where the passes do not stand
// any more as the mark says, which is then to be found anew. A verdict set by hand stays in
// force. A pass that was not judged before gets state checked. Later passes that saw another
// cell are put back to received in the same transaction, so that no crash leaves them so.
func (s *Store) Settle(ctx context.Context, c Settled) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		_, mark, err := tables.Beside(ctx, tx, c.Pass, c.Cell)
		if err != nil {
			return err
		}
		if mark != c.Mark {
			return ErrMeanwhile
		}
		for _, p := range append([]record.Pass{c.Pass}, c.Others...) {
			k, err := tables.KeyOf(ctx, tx, p.ID)
			if err == nil {
				err = tables.ChangeVerdict(ctx, tx, k, func() error { return s.settle(ctx, tx, k, p, c) })
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	return sqlbase.Wrap(err, "store the findings of pass %s", c.Pass.ID)
}

// unsettled is how a pass stands before what was found about it is stored.
type unsettled struct {
	state      State
	judgement  sql.NullInt64
	was, found record.Verdict // in force, and by the findings
	before     []record.Finding
	corrected  []TagChange // since it was judged; asked for the pass that is judged alone
}

func (s *Store) unsettledOf(ctx context.Context, tx *sql.Tx, k tables.PassKey, own bool) (x unsettled, err error) {
	var judged string
	err = tx.QueryRowContext(ctx, `SELECT p.state, p.judgement, p.verdict, coalesce(j.verdict, ''), coalesce(j.at, '') FROM pass_rows p
		LEFT JOIN judgements j ON j.n = p.judgement WHERE p.n = ?`, k.N).
		Scan(&x.state, &x.judgement, &x.was, &x.found, &judged)
	if err != nil {
		return x, err
	}
	old, err := tables.FindingsOf(ctx, tx, []int64{x.judgement.Int64})
	if err != nil {
		return x, err
	}
	x.before = old[x.judgement.Int64]
	if own && x.judgement.Valid && x.state == Received {
		x.corrected, err = tables.ChangesWhere(ctx, tx, `c.pass = ?1 AND c.at >= ?2`, k.N, judged)
	}
	return x, err
}

// judge stores what was found about a pass, and returns the judgement that then stands.
func (s *Store) judge(ctx context.Context, tx *sql.Tx, k tables.PassKey, p record.Pass, c Settled, x unsettled) (
	j int64, err error) {
	j, why := x.judgement.Int64, c.Why
	if x.state == Received && c.Again != "" {
		why = c.Again
	}
	switch {
	case !x.judgement.Valid:
		return s.judgement(ctx, tx, k, "checked", p.Verdict, "", "", p.Findings)
	case p.ID != c.Pass.ID && x.found == p.Verdict: // the judgement stands, with what is known now
		if _, err = tx.ExecContext(ctx, `DELETE FROM finding_rows WHERE judgement = ?`, j); err == nil {
			err = tables.InsertFindings(ctx, tx, j, p.Findings)
		}
		return j, err
	case p.ID == c.Pass.ID && x.state == Received && len(x.corrected) == 0 && x.found == p.Verdict &&
		tables.SameFindings(x.before, p.Findings):
		return j, nil // it stands: what another pass changed makes no difference
	}
	return s.judgement(ctx, tx, k, "rechecked", p.Verdict, why, c.Who, p.Findings)
}

func (s *Store) settle(ctx context.Context, tx *sql.Tx, k tables.PassKey, p record.Pass, c Settled) error {
	own := p.ID == c.Pass.ID
	if err := tables.DropUntold(ctx, tx, k.N); err != nil {
		return err
	}
	x, err := s.unsettledOf(ctx, tx, k, own)
	if err != nil {
		return err
	}
	if !own && x.state == Received && x.judgement.Valid {
		return nil // to be judged again itself, which finds the same and tells whoever was told otherwise
	}
	j, err := s.judge(ctx, tx, k, p, c, x)
	if err != nil {
		return err
	}
	var now record.Verdict
	err = tx.QueryRowContext(ctx,
		`UPDATE pass_rows SET judgement = ?, verdict = CASE overruled WHEN '' THEN ? ELSE verdict END WHERE n = ? RETURNING verdict`,
		j, string(p.Verdict), k.N).Scan(&now)
	if err != nil {
		return err
	}
	state := x.state
	switch {
	case !x.judgement.Valid:
		state = Checked
	case state != Checked && c.Tell && now != x.was:
		state = Checked
	case state == Received:
		state = Notified
	}
	if _, err = tx.ExecContext(ctx, `UPDATE pass_rows SET state = ? WHERE n = ?`, string(state), k.N); err != nil || !own {
		return err
	}
	differs := !x.judgement.Valid || len(x.corrected) > 0 || !tables.SameOutcomes(x.before, p.Findings, c.Among)
	return tables.PutBackAfter(ctx, tables.Ripple{Tx: tx, Bench: p.Bench, N: k.N, Later: c.Later}, p.Tags, c.Cell,
		x.corrected, differs)
}

// LookAgain has the passes judged again that stand beside a pass in its cell and saw it, since
// it counts in another way than then: so many that started later, and the nearest one of the
// same system and campaign on either side.
func (s *Store) LookAgain(ctx context.Context, p record.Pass, factors []string, later int) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		r := tables.Ripple{Tx: tx, Bench: p.Bench, N: k.N, Later: later}
		if err := r.WholePass(ctx, tables.CellOfTags(p.Tags, factors)); err != nil {
			return err
		}
		return r.PutBack(ctx)
	})
	return sqlbase.Wrap(err, "have the passes beside %s judged again", p.ID)
}
