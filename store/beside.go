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
	var judged string
	err := tx.QueryRowContext(ctx, `SELECT p.state, p.judgement, p.verdict, coalesce(j.verdict, ''), coalesce(j.at, '') FROM pass_rows p
		LEFT JOIN judgements j ON j.n = p.judgement WHERE p.n = ?`, k.n).Scan(&state, &judgement, &was, &found, &judged)
	if err != nil {
		return err
	}
	old, err := findingsOf(ctx, tx, []int64{judgement.Int64})
	if err != nil {
		return err
	}
	before := old[judgement.Int64]
	var corrected []TagChange
	if p.ID == c.Pass.ID && judgement.Valid && state == Received {
		if corrected, err = changesWhere(ctx, tx, `c.pass = ?1 AND c.at >= ?2`, k.n, judged); err != nil {
			return err
		}
	}
	j, why := judgement.Int64, c.Why
	if state == Received && c.Again != "" {
		why = c.Again
	}
	switch {
	case !judgement.Valid:
		j, err = s.judgement(ctx, tx, k, "checked", p.Verdict, "", "", p.Findings)
	case p.ID != c.Pass.ID && found == p.Verdict: // the judgement stands, with what is known now
		if _, err = tx.ExecContext(ctx, `DELETE FROM finding_rows WHERE judgement = ?`, j); err == nil {
			err = insertFindings(ctx, tx, j, p.Findings)
		}
	case p.ID == c.Pass.ID && state == Received && len(corrected) == 0 && found == p.Verdict && sameFindings(before, p.Findings):
		// it stands: what another pass changed makes no difference
	default:
		j, err = s.judgement(ctx, tx, k, "rechecked", p.Verdict, why, c.Who, p.Findings)
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
	case !judgement.Valid:
		state = Checked
	case state == Received && p.ID != c.Pass.ID: // still to be judged
	case state != Checked && c.Tell && now != was:
		state = Checked
	case state == Received:
		state = Notified
	}
	if _, err = tx.ExecContext(ctx, `UPDATE pass_rows SET state = ? WHERE n = ?`, string(state), k.n); err != nil || p.ID != c.Pass.ID {
		return err
	}
	differs := !judgement.Valid || len(corrected) > 0 || !sameOutcomes(before, p.Findings, c.Among)
	return putBackAfter(ctx, ripple{tx: tx, bench: p.Bench, n: k.n, later: c.Later}, p.Tags, c.Cell, corrected, differs)
}

// putBackAfter puts those passes back that saw a pass otherwise than it is now: the later ones
// of its cell, where it differs, and those of the cells that it was in before its tags were
// corrected, where it was held against others too.
func putBackAfter(ctx context.Context, r ripple, now record.Tags, factors []string, corrected []TagChange, differs bool) error {
	tags := maps.Clone(now)
	seen := []map[string]string{cellOfTags(tags, factors)}
	if differs {
		if err := r.after(ctx, seen[0]); err != nil {
			return err
		}
	}
	for _, t := range slices.Backward(corrected) {
		if delete(tags, t.Name); t.Old != nil {
			tags[t.Name] = *t.Old
		}
		cell := cellOfTags(tags, factors)
		if slices.ContainsFunc(seen, func(o map[string]string) bool { return maps.Equal(o, cell) }) {
			continue
		}
		seen = append(seen, cell)
		if err := r.whole(ctx, cell); err != nil {
			return err
		}
	}
	return r.putBack(ctx)
}

// ripple collects the judged passes that what changes about one reaches.
type ripple struct {
	tx      *sql.Tx
	bench   string
	n       int64 // that changes
	later   int   // how many after it saw it
	touched []int64
}

// after finds those of a cell that started later.
func (r *ripple) after(ctx context.Context, cell map[string]string) error {
	return r.find(ctx, cell, ">", "", r.later)
}

// whole finds those too that it was held against: by the nearest all of them are.
func (r *ripple) whole(ctx context.Context, cell map[string]string) error {
	const alike = "p.system IS (SELECT x.system FROM pass_rows x WHERE x.n = ?)"
	err := r.after(ctx, cell)
	found := len(r.touched)
	if err == nil {
		err = r.find(ctx, cell, ">", alike, 1)
	}
	if err == nil && len(r.touched) == found {
		err = r.find(ctx, cell, "<", alike, 1)
	}
	return err
}

func (r *ripple) find(ctx context.Context, cell map[string]string, side, alike string, limit int) error {
	if limit <= 0 {
		return nil
	}
	p := cellPlan(r.bench, cell)
	p.parts = append(p.parts, condition{test: `(p.at, p.id) ` + side + ` (SELECT x.at, x.id FROM pass_rows x WHERE x.n = ?)`, args: []any{r.n}},
		condition{test: "p.judgement IS NOT NULL"})
	if alike != "" {
		p.parts = append(p.parts, condition{test: alike, args: []any{r.n}})
	}
	direction := ""
	if side == "<" {
		direction = " DESC"
	}
	text, args := p.from(p.rarest())
	found, err := numbersOf(ctx, r.tx, `SELECT p.n FROM pass_rows p WHERE `+text+` ORDER BY p.at`+direction+`, p.id`+direction+` LIMIT ?`, append(args, limit)...)
	r.touched = append(r.touched, found...)
	return err
}

func (r *ripple) putBack(ctx context.Context) error {
	slices.Sort(r.touched)
	for _, n := range slices.Compact(r.touched) {
		if err := change(ctx, r.tx, []int64{n}, []int{groupVerdict}, func() error { return putBack(ctx, r.tx, n) }); err != nil {
			return err
		}
	}
	return nil
}

// LookAgain has the passes judged again that stand beside a pass in its cell and saw it, since
// it counts in another way than then: so many that started later, and the nearest one of the
// same system and campaign on either side.
func (s *Store) LookAgain(ctx context.Context, p record.Pass, factors []string, later int) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		k, err := keyOf(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		r := ripple{tx: tx, bench: p.Bench, n: k.n, later: later}
		if err := r.whole(ctx, cellOfTags(p.Tags, factors)); err != nil {
			return err
		}
		return r.putBack(ctx)
	})
	return wrap(err, "have the passes beside %s judged again", p.ID)
}

// cellOfTags are the tags that make the cell of a campaign.
func cellOfTags(t record.Tags, factors []string) map[string]string {
	cell := t.Cell(factors)
	cell[record.TagCampaign] = t.Value(record.TagCampaign)
	return cell
}

func sameFindings(a, b []record.Finding) bool {
	return slices.EqualFunc(a, b, func(x, y record.Finding) bool {
		return x.Check == y.Check && x.Version == y.Version && x.Outcome == y.Outcome && x.Reason == y.Reason && x.Advice == y.Advice
	})
}

// sameOutcomes compares what checks say, but for one check.
func sameOutcomes(a, b []record.Finding, but string) bool {
	of := func(list []record.Finding) map[string]record.Outcome {
		out := map[string]record.Outcome{}
		for _, f := range list {
			if f.Check != but {
				out[f.Check] = f.Outcome
			}
		}
		return out
	}
	return maps.Equal(of(a), of(b))
}
