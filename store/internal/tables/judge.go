package tables

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
)

// State is how far a pass has come.
type State string

// The states of a pass.
const (
	Received State = "received" // to be checked, or checked again, see [Store.Unfinished]
	Checked  State = "checked"  // findings are stored, nobody was told
	Notified State = "notified" // done
)

// Unfinished is a pass that a crash left between two steps, or that is to be judged again.
type Unfinished struct {
	Pass  record.Pass
	State State          // Received or Checked
	Was   record.Verdict // by the findings that people know of; "" where they were told none
	Again bool           // a received pass that was judged before, as the log stands now
	Held  time.Time      // until when another program keeps one that is to be judged again to itself, see [Store.Hold]
}

// PutBack has a pass judged again: what its findings rest on has changed. Until then those
// hold that people were told of. A pass of which nobody was told loses them, to be told like
// one that has just come.
func PutBack(ctx context.Context, tx *sql.Tx, n int64) error {
	if err := DropUntold(ctx, tx, n); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `UPDATE pass_rows SET state = 'received', judgement = CASE state WHEN 'checked' THEN NULL ELSE judgement END,
		verdict = CASE WHEN state = 'checked' AND overruled = '' THEN '' ELSE verdict END WHERE n = ?`, n)
	return err
}

// DropUntold takes the judgement of a pass back that differs from what people were told and of
// which they were not told yet: another one is about to take its place, and what people know
// is what that one is to be told against.
func DropUntold(ctx context.Context, tx *sql.Tx, n int64) error {
	var untold int64
	err := tx.QueryRowContext(ctx, `SELECT j.n FROM pass_rows p JOIN judgements j ON j.n = p.judgement
		WHERE p.n = ? AND p.state = 'checked' AND j.kind = 'rechecked'`, n).Scan(&untold)
	if sqlbase.NoRows(err) {
		return nil
	}
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE pass_rows AS p SET state = 'notified', judgement = j.n, verdict = CASE p.overruled WHEN '' THEN j.verdict ELSE p.verdict END
		FROM (SELECT n, verdict FROM judgements WHERE pass = ?1 AND n < ?2 AND kind <> 'overruled' ORDER BY n DESC LIMIT 1) j WHERE p.n = ?1`, n, untold)
	if err != nil {
		return err
	}
	for _, table := range []string{`finding_rows WHERE judgement`, `judgements WHERE n`} {
		if _, err = tx.ExecContext(ctx, `DELETE FROM `+table+` = ? AND NOT EXISTS (SELECT 1 FROM pass_rows WHERE judgement = ?)`, untold, untold); err != nil {
			return err
		}
	}
	return nil
}

// ChangeVerdict runs what changes the verdict of a pass, and seals it.
func ChangeVerdict(ctx context.Context, tx *sql.Tx, k PassKey, fn func() error) error {
	return ChangeSealed(ctx, tx, []int64{k.N}, []int{GroupVerdict}, fn)
}

// ErrOtherVerdict: since the pass was looked at, it was given another verdict.
var ErrOtherVerdict = errors.New("it was given another verdict meanwhile")

// ByHand refuses what cannot be set by hand.
func ByHand(verdict record.Verdict, reason string) error {
	if reason == "" {
		return errors.New("overrule a verdict: a reason is required")
	}
	if !verdict.Valid() {
		return fmt.Errorf("overrule a verdict: %q is not a verdict", verdict)
	}
	return nil
}

// SameByHand refuses a pass whose verdict was not set by hand, or is not the one that was seen.
func SameByHand(ctx context.Context, tx *sql.Tx, k PassKey, seen record.Pass) error {
	if seen.Overruled == "" {
		return sqlbase.ErrNotByHand
	}
	return SameVerdict(ctx, tx, k, &seen)
}

// SameVerdict refuses a pass whose verdict, or the reason of one by hand, is not what was seen; nil is
// for whatever stands.
func SameVerdict(ctx context.Context, tx *sql.Tx, k PassKey, seen *record.Pass) error {
	if seen == nil {
		return nil
	}
	var verdict record.Verdict
	var overruled string
	err := tx.QueryRowContext(ctx, `SELECT verdict, overruled FROM pass_rows WHERE n = ?`, k.N).Scan(&verdict, &overruled)
	if err != nil || verdict == seen.Verdict && overruled == seen.Overruled {
		return err
	}
	by := "by its checks"
	if overruled != "" {
		by = fmt.Sprintf("by hand, since %q", overruled)
	}
	return fmt.Errorf("%w: %s %s; look at the pass again", ErrOtherVerdict, cmp.Or(verdict, "not judged"), by)
}

// InsertFindings stores the findings of a judgement.
func InsertFindings(ctx context.Context, tx *sql.Tx, n int64, findings []record.Finding) error {
	for i, f := range findings {
		numbers, err := json.Marshal(finite(f.Numbers))
		if err != nil {
			return err
		}
		params, err := json.Marshal(f.Params)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx,
			`INSERT INTO finding_rows (judgement, seq, name, version, outcome, reason, advice, numbers, params) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			n, i, f.Check, f.Version, string(f.Outcome), f.Reason, f.Advice, string(numbers), string(params))
		if err != nil {
			return err
		}
	}
	return nil
}

// finite leaves out numbers that have no form in JSON, so that a validator's division by
// zero cannot cost a pass.
func finite(numbers map[string]float64) map[string]float64 {
	if len(numbers) == 0 {
		return nil
	}
	out := make(map[string]float64, len(numbers))
	for k, v := range numbers {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			out[k] = v
		}
	}
	return out
}
