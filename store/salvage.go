package store

import (
	"context"
	"fmt"

	"capd.example/store/internal/schema"
)

// Salvage copies every pass that is still whole from a damaged store into a new one at
// path, with tags, verdict and findings as they stand now and what retention knows of it, and the notes.
// Where only its figures are damaged they are computed from its frame times; where only its
// verdict or findings are, it is copied unjudged, for the agent to check it again. The
// report lists what was not copied, with the logs to read again, and what was mended. The
// copy appears under its name when it is complete. Histories are not copied.
func (s *Store) Salvage(ctx context.Context, path string) (r Report, err error) {
	part, err := schema.NewPart(path)
	if err != nil {
		return r, fmt.Errorf("salvage: %w", err)
	}
	if r, err = s.salvageTo(ctx, part); err == nil {
		err = schema.FinishPart(part, path)
	}
	if err != nil {
		schema.RemoveStore(part)
		return r, fmt.Errorf("salvage: %w", err)
	}
	return r, nil
}

func (s *Store) salvageTo(ctx context.Context, path string) (r Report, err error) {
	if err := schema.MakeEmpty(path); err != nil {
		return r, err
	}
	to, err := Open(ctx, path, Options{Now: s.now})
	if err != nil {
		return r, err
	}
	defer func() {
		if e := to.Close(); err == nil {
			err = e
		}
	}()
	numbers, err := s.numbers(ctx)
	if err != nil {
		return r, s.explain(err)
	}
	r.Passes = len(numbers)
	if s.cut != "" {
		r.Problems = append(r.Problems, Problem{What: s.cut})
	}
	for _, n := range numbers {
		x := s.examine(ctx, n)
		if ctx.Err() != nil {
			return r, ctx.Err()
		}
		if !x.lost {
			if err := to.copyIn(ctx, &x); err != nil {
				return r, err
			}
		}
		if p, damaged := x.problem(); damaged {
			p.Copied = !x.lost
			r.Problems = append(r.Problems, p)
		} else {
			r.Whole++
		}
	}
	losses, err := s.CopyNotes(ctx, to.book)
	for _, l := range losses {
		r.Problems = append(r.Problems, s.problemOf(l, ""))
	}
	return r, err
}

// copyIn stores a pass of a damaged store and says what became of its damaged parts.
func (s *Store) copyIn(ctx context.Context, x *examined) error {
	if x.figures {
		x.note(false, "it was copied with figures computed from its frame times")
	}
	if x.verdict {
		x.a.Pass.Verdict, x.a.Pass.Overruled, x.a.Pass.Findings = "", "", nil
		x.note(false, "it was copied unjudged: the agent checks it again, a verdict by hand is to be set again")
	}
	id, became, err := s.adopt(ctx, x.a, x.came)
	if err != nil {
		return err
	}
	if became != TakenIn {
		x.note(true, "its log is that of pass %s, which was copied", id)
		return nil
	}
	return s.noteRetention(ctx, id, x.notes)
}
