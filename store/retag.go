package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"capd.example/record"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/tables"
)

// Retag sets tags of passes by hand, an empty value takes the tag away; all or nothing.
// It returns the identity of the change for [Store.Undo]. The earlier values stay in the
// history. The passes are to be judged again, see [Store.Unfinished].
func (s *Store) Retag(ctx context.Context, ids []string, changes map[string]string, who, why string) (id string,
	err error) {
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
	id = sqlbase.NewChange()
	err = s.write(ctx, func(tx *sql.Tx) error {
		for _, pass := range ids {
			k, err := tables.KeyOf(ctx, tx, pass)
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
			if err := s.apply(ctx, tx, k.N, to); err != nil {
				return err
			}
		}
		return nil
	})
	return id, sqlbase.Wrap(err, "correct tags")
}

// Undo takes a change back on all its passes; the undoing is a change of its own, which
// can be undone too. A tag that was changed again since then is an error, and nothing is
// changed.
func (s *Store) Undo(ctx context.Context, id, who, why string) (undo string, err error) {
	undo = sqlbase.NewChange()
	err = s.write(ctx, func(tx *sql.Tx) error {
		done, err := tables.ChangesWhere(ctx, tx, `c.change = ?`, id)
		if err != nil {
			return err
		}
		if len(done) == 0 {
			return fmt.Errorf("%w: %q", ErrNoChange, id)
		}
		slices.Reverse(done)
		for _, c := range done {
			k, err := tables.KeyOf(ctx, tx, c.Pass)
			if err != nil {
				return err
			}
			now, err := tables.TagsOf(ctx, tx, k.N)
			if err != nil {
				return err
			}
			if t, has := now[c.Name]; has != (c.New != nil) || has && t != *c.New {
				return fmt.Errorf("the tag %s of pass %s was changed again since: undo that change first", c.Name, c.Pass)
			}
			back := TagChange{Change: undo, Name: c.Name, New: c.Old, Who: who, Why: why, Undoes: id}
			if err := s.apply(ctx, tx, k.N, []TagChange{back}); err != nil {
				return err
			}
		}
		return nil
	})
	return undo, sqlbase.Wrap(err, "undo the change of tags")
}

// apply carries out changes of one pass and notes them.
func (s *Store) apply(ctx context.Context, tx *sql.Tx, n int64, changes []TagChange) error {
	return tables.ChangeSealed(ctx, tx, []int64{n}, []int{tables.GroupTags, tables.GroupCell, tables.GroupVerdict},
		func() error {
			if err := s.retag(ctx, tx, n, changes); err != nil {
				return err
			}
			return tables.PutBack(ctx, tx, n)
		})
}

func (s *Store) retag(ctx context.Context, tx *sql.Tx, n int64, changes []TagChange) error {
	tags, err := tables.TagsOf(ctx, tx, n)
	if err != nil {
		return err
	}
	for _, c := range changes {
		old := tables.TagColumns(nil)
		if t, has := tags[c.Name]; has {
			old = tables.TagColumns(&t)
		}
		if c.New != nil {
			tags[c.Name] = *c.New
		} else {
			delete(tags, c.Name)
		}
		now := tables.TagColumns(c.New)
		_, err := tx.ExecContext(ctx, `INSERT INTO tag_changes (change, pass, name, old_value, old_origin, new_value, new_origin, at, who, why, undoes)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, c.Change, n, c.Name, old[0], old[1], now[0], now[1], sqlbase.Stamp(s.now()), c.Who, c.Why, c.Undoes)
		if err != nil {
			return err
		}
	}
	return tables.WriteTags(ctx, tx, n, tags, false)
}

// TagHistory returns the corrections of a pass's tags, oldest first.
func (s *Store) TagHistory(ctx context.Context, id string) (out []TagChange, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		k, err := tables.KeyOf(ctx, tx, id)
		if err != nil {
			return err
		}
		out, err = tables.ChangesWhere(ctx, tx, `c.pass = ?`, k.N)
		return err
	})
	return out, sqlbase.Wrap(err, "read the history of tags")
}
