package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"

	"capd.example/record"
)

// TagChange is one correction of one tag of one pass.
type TagChange struct {
	Change string      `json:"change"` // identity of the correction, shared by all its passes and tags
	Pass   string      `json:"pass"`
	Name   string      `json:"name"`
	Old    *record.Tag `json:"old"` // nil: the pass had no such tag
	New    *record.Tag `json:"new"` // nil: the tag was taken away
	At     time.Time   `json:"at"`
	Who    string      `json:"who"`
	Why    string      `json:"why"`
	Undoes string      `json:"undoes,omitempty"` // the change that this one takes back
}

// Retag sets tags of passes by hand, an empty value takes the tag away; all or nothing.
// It returns the identity of the change for [Store.Undo]. The earlier values stay in the
// history. The passes are to be judged again, see [Store.Unfinished].
func (s *Store) Retag(ctx context.Context, ids []string, changes map[string]string, who, why string) (id string, err error) {
	if len(ids) == 0 || len(changes) == 0 {
		return "", errors.New("correct tags: no passes or no tags are named")
	}
	names := make([]string, 0, len(changes))
	for name := range changes {
		if name == "" {
			return "", errors.New("correct tags: a tag needs a name")
		}
		names = append(names, name)
	}
	slices.Sort(names)
	id = newChange()
	err = s.write(ctx, func(tx *sql.Tx) error {
		for _, pass := range ids {
			k, err := keyOf(ctx, tx, pass)
			if err != nil {
				return err
			}
			var to []TagChange
			for _, name := range names {
				c := TagChange{Change: id, Name: name, Who: who, Why: why}
				if v := changes[name]; v != "" {
					c.New = &record.Tag{Value: v, From: record.FromHand}
				}
				to = append(to, c)
			}
			if err := s.apply(ctx, tx, k.n, to); err != nil {
				return err
			}
		}
		return nil
	})
	return id, wrap(err, "correct tags")
}

// Undo takes a change back on all its passes; the undoing is a change of its own, which
// can be undone too. A tag that was changed again since then is an error, and nothing is
// changed.
func (s *Store) Undo(ctx context.Context, id, who, why string) (undo string, err error) {
	undo = newChange()
	err = s.write(ctx, func(tx *sql.Tx) error {
		done, err := changesWhere(ctx, tx, `c.change = ?`, id)
		if err != nil {
			return err
		}
		if len(done) == 0 {
			return fmt.Errorf("%w: %q", ErrNoChange, id)
		}
		slices.Reverse(done)
		for _, c := range done {
			k, err := keyOf(ctx, tx, c.Pass)
			if err != nil {
				return err
			}
			now, err := tagsOf(ctx, tx, k.n)
			if err != nil {
				return err
			}
			if t, has := now[c.Name]; has != (c.New != nil) || has && t != *c.New {
				return fmt.Errorf("the tag %s of pass %s was changed again since: undo that change first", c.Name, c.Pass)
			}
			back := TagChange{Change: undo, Name: c.Name, New: c.Old, Who: who, Why: why, Undoes: id}
			if err := s.apply(ctx, tx, k.n, []TagChange{back}); err != nil {
				return err
			}
		}
		return nil
	})
	return undo, wrap(err, "undo the change of tags")
}

// apply carries out changes of one pass and notes them.
func (s *Store) apply(ctx context.Context, tx *sql.Tx, n int64, changes []TagChange) error {
	return change(ctx, tx, []int64{n}, []int{groupTags, groupCell, groupVerdict}, func() error {
		if err := s.retag(ctx, tx, n, changes); err != nil {
			return err
		}
		return putBack(ctx, tx, n)
	})
}

func (s *Store) retag(ctx context.Context, tx *sql.Tx, n int64, changes []TagChange) error {
	tags, err := tagsOf(ctx, tx, n)
	if err != nil {
		return err
	}
	for _, c := range changes {
		old := columns(nil)
		if t, has := tags[c.Name]; has {
			old = columns(&t)
		}
		if c.New != nil {
			tags[c.Name] = *c.New
		} else {
			delete(tags, c.Name)
		}
		now := columns(c.New)
		_, err := tx.ExecContext(ctx, `INSERT INTO tag_changes (change, pass, name, old_value, old_origin, new_value, new_origin, at, who, why, undoes)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, c.Change, n, c.Name, old[0], old[1], now[0], now[1], stamp(s.now()), c.Who, c.Why, c.Undoes)
		if err != nil {
			return err
		}
	}
	return writeTags(ctx, tx, n, tags, false)
}

func columns(t *record.Tag) [2]sql.NullString {
	if t == nil {
		return [2]sql.NullString{}
	}
	return [2]sql.NullString{{String: t.Value, Valid: true}, {String: string(t.From), Valid: true}}
}

func newChange() string {
	var b [6]byte
	rand.Read(b[:]) // never fails; the runtime ends the program instead
	return hex.EncodeToString(b[:])
}

// TagHistory returns the corrections of a pass's tags, oldest first.
func (s *Store) TagHistory(ctx context.Context, id string) (out []TagChange, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := keyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		out, err = changesWhere(ctx, tx, `c.pass = ?`, k.n)
		return err
	})
	return out, wrap(err, "read the history of tags")
}

func changesWhere(ctx context.Context, tx *sql.Tx, condition string, args ...any) (out []TagChange, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT c.change, p.id, c.name, c.old_value, c.old_origin, c.new_value, c.new_origin, c.at, c.who, c.why, c.undoes
		FROM tag_changes c JOIN pass_rows p ON p.n = c.pass WHERE `+condition+` ORDER BY c.n`, args...)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var c TagChange
		var old, now [2]sql.NullString
		var at string
		err := rows.Scan(&c.Change, &c.Pass, &c.Name, &old[0], &old[1], &now[0], &now[1], &at, &c.Who, &c.Why, &c.Undoes)
		if err == nil {
			c.At, err = unstamp(at)
		}
		if err != nil {
			rows.Close()
			return nil, err
		}
		c.Old, c.New = tagOf(old), tagOf(now)
		out = append(out, c)
	}
	return out, closeRows(rows)
}

func tagOf(c [2]sql.NullString) *record.Tag {
	if !c[0].Valid {
		return nil
	}
	return &record.Tag{Value: c[0].String, From: record.Origin(c[1].String)}
}
