package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"

	"capd.example/record"
)

// ErrMeanwhile: the pass, or one beside it, is not any more what was looked at.
var ErrMeanwhile = errors.New("it was changed meanwhile")

// besides is how many passes of a cell are looked at on either side of one.
const besides = 32

// Beside returns the judged passes of the cell of p on its bench without p itself, up to 32
// that started before it and 32 after, in order of their start, then identity. Factors are
// the tags that make a cell. The mark says how all of them and p stand, for [Store.Settle].
// It is [ErrMeanwhile] where the stored p has other
// tags, a later log or another verdict by hand than p.
func (s *Store) Beside(ctx context.Context, p record.Pass, factors []string) (list []record.Pass, mark string, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		var numbers []int64
		if numbers, mark, err = beside(ctx, tx, p, factors); err != nil {
			return err
		}
		list, err = loadPasses(ctx, tx, numbers)
		return err
	})
	return list, mark, wrap(err, "look for the passes beside %s", p.ID)
}

func beside(ctx context.Context, tx *sql.Tx, p record.Pass, factors []string) (numbers []int64, mark string, err error) {
	k, err := keyOf(ctx, tx, p.ID)
	if err != nil {
		return nil, "", err
	}
	tags, err := tagsOf(ctx, tx, k.n)
	if err != nil {
		return nil, "", err
	}
	var at, overruled string
	if err := tx.QueryRowContext(ctx, `SELECT at, overruled FROM pass_rows WHERE n = ?`, k.n).Scan(&at, &overruled); err != nil {
		return nil, "", err
	}
	if k.revision != p.Revision || overruled != p.Overruled || !maps.Equal(tags, p.Tags) {
		return nil, "", fmt.Errorf("pass %s: %w", p.ID, ErrMeanwhile)
	}
	for i, side := range []struct{ test, order string }{
		{`(p.at, p.id) < (?, ?)`, ` ORDER BY p.at DESC, p.id DESC`},
		{`(p.at, p.id) > (?, ?)`, ` ORDER BY p.at, p.id`},
	} {
		part := cellPlan(p.Bench, p.Tags.Cell(factors))
		part.parts = append(part.parts, condition{test: side.test, args: []any{at, k.id}}, condition{test: "p.judgement IS NOT NULL"})
		text, args := part.from(part.rarest())
		found, err := numbersOf(ctx, tx, `SELECT p.n FROM pass_rows p WHERE `+text+side.order+fmt.Sprint(` LIMIT `, besides), args...)
		if err != nil {
			return nil, "", err
		}
		if i == 0 {
			slices.Reverse(found)
		}
		numbers = append(numbers, found...)
	}
	mark, err = standing(ctx, tx, append(slices.Clone(numbers), k.n))
	return numbers, mark, err
}

// standing condenses how passes stand: their logs, judgements and what was said by hand.
func standing(ctx context.Context, tx *sql.Tx, numbers []int64) (string, error) {
	rows, err := tx.QueryContext(ctx, `SELECT n, revision, coalesce(judgement, 0), verdict, overruled FROM pass_rows
		WHERE n IN (SELECT value FROM json_each(?)) ORDER BY n`, jsonList(numbers))
	if err != nil {
		return "", err
	}
	h := sha256.New()
	for rows.Next() {
		var n, revision, judgement int64
		var verdict, overruled string
		if err := rows.Scan(&n, &revision, &judgement, &verdict, &overruled); err != nil {
			rows.Close()
			return "", err
		}
		fmt.Fprintf(h, "%d %d %d %s %q\n", n, revision, judgement, verdict, overruled)
	}
	return hex.EncodeToString(h.Sum(nil)), closeRows(rows)
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
}

// Settle stores what was found, all or nothing: [ErrMeanwhile] where the passes do not stand
// any more as the mark says, which is then to be found anew. A verdict set by hand stays in
// force. A pass that was not judged before gets state checked.
func (s *Store) Settle(ctx context.Context, c Settled) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		_, mark, err := beside(ctx, tx, c.Pass, c.Cell)
		if err != nil {
			return err
		}
		if mark != c.Mark {
			return ErrMeanwhile
		}
		for _, p := range append([]record.Pass{c.Pass}, c.Others...) {
			k, err := keyOf(ctx, tx, p.ID)
			if err == nil {
				err = changeVerdict(ctx, tx, k, func() error { return s.settle(ctx, tx, k, p, c) })
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	return wrap(err, "store the findings of pass %s", c.Pass.ID)
}

func (s *Store) settle(ctx context.Context, tx *sql.Tx, k passKey, p record.Pass, c Settled) error {
	var state State
	var judgement sql.NullInt64
	var was, found record.Verdict // in force, and by the findings
	err := tx.QueryRowContext(ctx, `SELECT p.state, p.judgement, p.verdict, coalesce(j.verdict, '') FROM pass_rows p LEFT JOIN judgements j ON j.n = p.judgement
		WHERE p.n = ?`, k.n).Scan(&state, &judgement, &was, &found)
	if err != nil {
		return err
	}
	j := judgement.Int64
	switch {
	case !judgement.Valid:
		j, err = s.judgement(ctx, tx, k, "checked", p.Verdict, "", "", p.Findings)
	case p.ID != c.Pass.ID && found == p.Verdict: // the judgement stands, with what is known now
		if _, err = tx.ExecContext(ctx, `DELETE FROM finding_rows WHERE judgement = ?`, j); err == nil {
			err = insertFindings(ctx, tx, j, p.Findings)
		}
	default:
		j, err = s.judgement(ctx, tx, k, "rechecked", p.Verdict, c.Why, c.Who, p.Findings)
	}
	if err != nil {
		return err
	}
	var now record.Verdict
	err = tx.QueryRowContext(ctx, `UPDATE pass_rows SET judgement = ?, verdict = CASE overruled WHEN '' THEN ? ELSE verdict END WHERE n = ? RETURNING verdict`,
		j, string(p.Verdict), k.n).Scan(&now)
	if err != nil {
		return err
	}
	switch {
	case !judgement.Valid, state == Notified && c.Tell && now != was:
		state = Checked
	}
	_, err = tx.ExecContext(ctx, `UPDATE pass_rows SET state = ? WHERE n = ?`, string(state), k.n)
	return err
}
