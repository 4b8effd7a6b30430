package store

import (
	"context"
	"database/sql"
	"time"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Finish stores the findings and the verdict of a received pass: state checked. A verdict
// that the reviewer set by hand meanwhile stays in force.
func (s *Store) Finish(ctx context.Context, id string, findings []record.Finding, verdict record.Verdict) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return tables.ChangeVerdict(ctx, tx, k, func() error {
			j, err := s.judgement(ctx, tx, k, "checked", verdict, "", "", findings)
			if err != nil {
				return err
			}
			_, err = tx.ExecContext(ctx,
				`UPDATE pass_rows SET judgement = ?, verdict = CASE overruled WHEN '' THEN ? ELSE verdict END, state = 'checked' WHERE n = ?`, j, string(verdict), k.N)
			return err
		})
	})
	return sqlbase.Wrap(err, "store the findings of pass %s", id)
}

// MarkNotified notes that people were told about a pass.
func (s *Store) MarkNotified(ctx context.Context, id string) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return tables.ChangeVerdict(ctx, tx, k, func() error {
			_, err = tx.ExecContext(ctx, `UPDATE pass_rows SET state = 'notified' WHERE n = ? AND state = 'checked'`, k.N)
			return err
		})
	})
	return sqlbase.Wrap(err, "note that pass %s was told", id)
}

// Unfinished lists the passes that were not told about yet, or that are to be judged again
// because their tags or an earlier pass of their cell changed, in order of time.
func (s *Store) Unfinished(ctx context.Context) (out []Unfinished, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `SELECT p.n, p.state, CASE WHEN p.state = 'received' THEN coalesce(j.verdict, '') WHEN j.kind = 'rechecked' THEN
				(SELECT o.verdict FROM judgements o WHERE o.pass = p.n AND o.n < j.n AND o.kind <> 'overruled' ORDER BY o.n DESC LIMIT 1) ELSE '' END,
			p.state = 'received' AND EXISTS (SELECT 1 FROM judgements o WHERE o.pass = p.n AND o.revision = p.revision AND o.kind <> 'overruled')
			FROM pass_rows p LEFT JOIN judgements j ON j.n = p.judgement WHERE p.state <> 'notified' ORDER BY p.at, p.id`)
		if err != nil {
			return err
		}
		var numbers []int64
		found := map[int64]Unfinished{}
		for rows.Next() {
			var n int64
			var u Unfinished
			var was sql.NullString
			if err := rows.Scan(&n, &u.State, &was, &u.Again); err != nil {
				rows.Close()
				return err
			}
			u.Was = record.Verdict(was.String)
			numbers = append(numbers, n)
			found[n] = u
		}
		if err := sqlbase.CloseRows(rows); err != nil {
			return err
		}
		holds, err := s.holds(ctx, tx)
		if err != nil {
			return err
		}
		var held time.Time
		for _, until := range holds {
			if until.After(held) {
				held = until
			}
		}
		passes, err := tables.LoadPasses(ctx, tx, numbers)
		for i, p := range passes {
			u := found[numbers[i]]
			if u.Pass = p; u.Again {
				u.Held = held
			}
			out = append(out, u)
		}
		return err
	})
	return out, sqlbase.Wrap(err, "look for unfinished passes")
}

// ReplaceFindings stores what today's validators say about a pass. The old findings stay
// in the history, and a verdict that the reviewer set by hand stays in force.
func (s *Store) ReplaceFindings(ctx context.Context, id string, findings []record.Finding, verdict record.Verdict, why,
	who string) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return tables.ChangeVerdict(ctx, tx, k, func() error {
			j, err := s.judgement(ctx, tx, k, "rechecked", verdict, why, who, findings)
			if err != nil {
				return err
			}
			_, err = tx.ExecContext(ctx,
				`UPDATE pass_rows SET judgement = ?, verdict = CASE overruled WHEN '' THEN ? ELSE verdict END WHERE n = ?`, j,
				string(verdict), k.N)
			return err
		})
	})
	return sqlbase.Wrap(err, "replace the findings of pass %s", id)
}

// Overrule sets the verdict of a pass by hand, with the reviewer's reason. An empty
// reason is refused: every output shows it.
func (s *Store) Overrule(ctx context.Context, id string, verdict record.Verdict, reason, who string) error {
	return s.overrule(ctx, id, nil, verdict, reason, who)
}

// OverruleSeen does so where the pass still has the verdict and the reason of p; else the error is
// [ErrOtherVerdict] and nothing was changed.
func (s *Store) OverruleSeen(ctx context.Context, p record.Pass, verdict record.Verdict, reason, who string) error {
	return s.overrule(ctx, p.ID, &p, verdict, reason, who)
}

func (s *Store) overrule(ctx context.Context, id string, seen *record.Pass, verdict record.Verdict, reason, who string) error {
	if err := tables.ByHand(verdict, reason); err != nil {
		return err
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		if err := tables.SameVerdict(ctx, tx, k, seen); err != nil {
			return err
		}
		return tables.ChangeVerdict(ctx, tx, k, func() error {
			if _, err := s.judgement(ctx, tx, k, "overruled", verdict, reason, who, nil); err != nil {
				return err
			}
			_, err = tx.ExecContext(ctx, `UPDATE pass_rows SET verdict = ?, overruled = ? WHERE n = ?`, string(verdict), reason,
				k.N)
			return err
		})
	})
	return sqlbase.Wrap(err, "overrule the verdict of pass %s", id)
}

// takenBack is how a verdict by hand that was taken back stands in the history: as one that
// sets none.
const takenBack = record.Verdict("")

// TakeBack takes the verdict set by hand that p has back: what the findings say holds again.
// Both stay in the history. A pass that was overruled on another bench came without the
// verdict of its findings; there judge decides. A pass whose verdict is not by hand is
// [ErrNotByHand], one whose verdict or reason is no longer that of p [ErrOtherVerdict].
func (s *Store) TakeBack(ctx context.Context, p record.Pass, reason, who string,
	judge func([]record.Finding) record.Verdict) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		if err := tables.SameByHand(ctx, tx, k, p); err != nil {
			return err
		}
		return tables.ChangeVerdict(ctx, tx, k, func() error {
			j, verdict, err := s.byFindings(ctx, tx, k, judge)
			if err != nil {
				return err
			}
			if _, err := s.judgement(ctx, tx, k, "overruled", takenBack, reason, who, nil); err != nil {
				return err
			}
			_, err = tx.ExecContext(ctx, `UPDATE pass_rows SET judgement = ?, verdict = ?, overruled = '' WHERE n = ?`, j,
				string(verdict), k.N)
			return err
		})
	})
	return sqlbase.Wrap(err, "take the verdict by hand of pass %s back", p.ID)
}

// byFindings returns the judgement of an overruled pass that its findings gave, and makes
// one where the pass was taken in with the verdict by hand alone.
func (s *Store) byFindings(ctx context.Context, tx *sql.Tx, k tables.PassKey,
	judge func([]record.Finding) record.Verdict) (j sql.NullInt64, v record.Verdict, err error) {
	var kind, reason string
	err = tx.QueryRowContext(ctx, `SELECT p.judgement, coalesce(j.kind, ''), coalesce(j.verdict, ''), coalesce(j.reason, '')
		FROM pass_rows p LEFT JOIN judgements j ON j.n = p.judgement WHERE p.n = ?`, k.N).Scan(&j, &kind, &v, &reason)
	if err != nil {
		return j, v, err
	}
	if kind != "checked" || reason == "" { // only [Store.Adopt] gives that kind a reason
		return j, v, nil
	}
	found, err := tables.FindingsOf(ctx, tx, []int64{j.Int64})
	if err != nil {
		return j, v, err
	}
	v = judge(found[j.Int64])
	j.Int64, err = s.judgement(ctx, tx, k, "rechecked", v, "by the findings that the pass came with", "", found[j.Int64])
	return j, v, err
}

// Judgement is one entry in the history of a pass's verdict, oldest first.
type Judgement struct {
	Kind     string           `json:"kind"` // "checked", "rechecked", "overruled" or "taken back"
	Revision int              `json:"revision"`
	Verdict  record.Verdict   `json:"verdict"`
	Reason   string           `json:"reason,omitempty"`
	Who      string           `json:"who,omitempty"`
	At       string           `json:"at"`
	Findings []record.Finding `json:"findings,omitempty"`
}

// Judgements returns the history of a pass's verdict, oldest first.
func (s *Store) Judgements(ctx context.Context, id string) (out []Judgement, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		rows, err := tx.QueryContext(ctx,
			`SELECT n, kind, revision, verdict, reason, who, at FROM judgements WHERE pass = ? ORDER BY n`, k.N)
		if err != nil {
			return err
		}
		var numbers []int64
		for rows.Next() {
			var n int64
			var j Judgement
			if err := rows.Scan(&n, &j.Kind, &j.Revision, &j.Verdict, &j.Reason, &j.Who, &j.At); err != nil {
				rows.Close()
				return err
			}
			numbers, out = append(numbers, n), append(out, j)
		}
		if err := sqlbase.CloseRows(rows); err != nil {
			return err
		}
		found, err := tables.FindingsOf(ctx, tx, numbers)
		var holds record.Verdict // by the findings
		for i, n := range numbers {
			out[i].Findings = found[n]
			if out[i].Kind != "overruled" {
				holds = out[i].Verdict
			} else if out[i].Verdict == takenBack {
				out[i].Kind, out[i].Verdict = "taken back", holds
			}
		}
		return err
	})
	return out, sqlbase.Wrap(err, "read the history of pass %s", id)
}

func (s *Store) judgement(ctx context.Context, tx *sql.Tx, k tables.PassKey, kind string, v record.Verdict, reason,
	who string, findings []record.Finding) (int64, error) {
	res, err := tx.ExecContext(ctx,
		`INSERT INTO judgements (pass, revision, kind, verdict, reason, who, at) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		k.N, k.Revision, kind, string(v), reason, who, sqlbase.Stamp(s.now()))
	if err != nil {
		return 0, err
	}
	n, err := res.LastInsertId()
	if err != nil {
		return 0, err
	}
	return n, tables.InsertFindings(ctx, tx, n, findings)
}
