package tables

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
	"capd.example/store/internal/sqlbase"
)

// ErrMeanwhile: the pass, or one beside it, is not any more what was looked at.
var ErrMeanwhile = errors.New("it was changed meanwhile")

// besides is how many passes of a cell are looked at on either side of one.
const besides = 32

// Beside finds the judged passes around a pass in its cell, and how all of them stand.
func Beside(ctx context.Context, tx *sql.Tx, p record.Pass, factors []string) (numbers []int64, mark string,
	err error) {
	k, err := KeyOf(ctx, tx, p.ID)
	if err != nil {
		return nil, "", err
	}
	tags, err := TagsOf(ctx, tx, k.N)
	if err != nil {
		return nil, "", err
	}
	var at, overruled string
	if err := tx.QueryRowContext(ctx, `SELECT at, overruled FROM pass_rows WHERE n = ?`, k.N).
		Scan(&at, &overruled); err != nil {
		return nil, "", err
	}
	if k.Revision != p.Revision || overruled != p.Overruled || !maps.Equal(tags, p.Tags) {
		return nil, "", fmt.Errorf("pass %s: %w", p.ID, ErrMeanwhile)
	}
	for i, side := range []struct{ test, order string }{
		{`(p.at, p.id) < (?, ?)`, ` ORDER BY p.at DESC, p.id DESC`},
		{`(p.at, p.id) > (?, ?)`, ` ORDER BY p.at, p.id`},
	} {
		if namesNoCell(p.Tags.Cell(factors)) {
			break
		}
		part := cellPlan(p.Bench, p.Tags.Cell(factors))
		part.parts = append(part.parts, condition{test: side.test, args: []any{at, k.ID}},
			condition{test: "p.judgement IS NOT NULL"})
		text, args := part.From(part.Rarest())
		found, err := sqlbase.NumbersOf(ctx, tx, `SELECT p.n FROM pass_rows p WHERE `+text+side.order+
			fmt.Sprint(` LIMIT `, besides), args...)
		if err != nil {
			return nil, "", err
		}
		if i == 0 {
			slices.Reverse(found)
		}
		numbers = append(numbers, found...)
	}
	mark, err = standing(ctx, tx, append(slices.Clone(numbers), k.N))
	return numbers, mark, err
}

// namesNoCell: passes without a game are no repeats of each other, see [record.Tags.NamesCell].
func namesNoCell(cell map[string]string) bool {
	game, is := cell[record.TagGame]
	return is && game == ""
}

// standing condenses how passes stand: their logs, judgements and what was said by hand.
func standing(ctx context.Context, tx *sql.Tx, numbers []int64) (string, error) {
	rows, err := tx.QueryContext(ctx, `SELECT n, revision, coalesce(judgement, 0), verdict, overruled FROM pass_rows
		WHERE n IN (SELECT value FROM json_each(?)) ORDER BY n`, sqlbase.JSONList(numbers))
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
	return hex.EncodeToString(h.Sum(nil)), sqlbase.CloseRows(rows)
}

// PutBackAfter puts those passes back that saw a pass otherwise than it is now: the later ones
// of its cell, where it differs, and those of the cells that it was in before its tags were
// corrected, where it was held against others too.
func PutBackAfter(ctx context.Context, r Ripple, now record.Tags, factors []string, corrected []TagChange,
	differs bool) error {
	tags := maps.Clone(now)
	seen := []map[string]string{CellOfTags(tags, factors)}
	if differs {
		if err := r.after(ctx, seen[0]); err != nil {
			return err
		}
	}
	for _, t := range slices.Backward(corrected) {
		if delete(tags, t.Name); t.Old != nil {
			tags[t.Name] = *t.Old
		}
		cell := CellOfTags(tags, factors)
		if slices.ContainsFunc(seen, func(o map[string]string) bool { return maps.Equal(o, cell) }) {
			continue
		}
		seen = append(seen, cell)
		if err := r.WholePass(ctx, cell); err != nil {
			return err
		}
	}
	return r.PutBack(ctx)
}

// Ripple collects the judged passes that what changes about one reaches.
type Ripple struct {
	Tx      *sql.Tx
	Bench   string
	N       int64 // that changes
	Later   int   // how many after it saw it
	touched []int64
}

// after finds those of a cell that started later.
func (r *Ripple) after(ctx context.Context, cell map[string]string) error {
	return r.find(ctx, cell, ">", "", r.Later)
}

// WholePass finds those too that it was held against: by the nearest all of them are.
func (r *Ripple) WholePass(ctx context.Context, cell map[string]string) error {
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

func (r *Ripple) find(ctx context.Context, cell map[string]string, side, alike string, limit int) error {
	if limit <= 0 || namesNoCell(cell) {
		return nil
	}
	p := cellPlan(r.Bench, cell)
	p.parts = append(p.parts, condition{test: `(p.at, p.id) ` + side +
		` (SELECT x.at, x.id FROM pass_rows x WHERE x.n = ?)`, args: []any{r.N}},
		condition{test: "p.judgement IS NOT NULL"})
	if alike != "" {
		p.parts = append(p.parts, condition{test: alike, args: []any{r.N}})
	}
	direction := ""
	if side == "<" {
		direction = " DESC"
	}
	text, args := p.From(p.Rarest())
	found, err := sqlbase.NumbersOf(ctx, r.Tx, `SELECT p.n FROM pass_rows p WHERE `+text+` ORDER BY p.at`+direction+
		`, p.id`+direction+` LIMIT ?`, append(args, limit)...)
	r.touched = append(r.touched, found...)
	return err
}

func (r *Ripple) PutBack(ctx context.Context) error {
	slices.Sort(r.touched)
	for _, n := range slices.Compact(r.touched) {
		if err := ChangeSealed(ctx, r.Tx, []int64{n}, []int{GroupVerdict},
			func() error { return PutBack(ctx, r.Tx, n) }); err != nil {
			return err
		}
	}
	return nil
}

// CellOfTags are the tags that make the cell of a campaign.
func CellOfTags(t record.Tags, factors []string) map[string]string {
	cell := t.Cell(factors)
	cell[record.TagCampaign] = t.Value(record.TagCampaign)
	return cell
}

// SameFindings reports whether two lists of findings say the same.
func SameFindings(a, b []record.Finding) bool {
	return slices.EqualFunc(a, b, func(x, y record.Finding) bool {
		return x.Check == y.Check && x.Version == y.Version && x.Outcome == y.Outcome && x.Reason == y.Reason &&
			x.Advice == y.Advice
	})
}

// SameOutcomes compares what checks say, but for one check.
func SameOutcomes(a, b []record.Finding, but string) bool {
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
