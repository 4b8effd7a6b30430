package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"capd.example/store/internal/schema"
)

// Salvage copies every pass that is still whole from a damaged store into a new one at
// path, with tags, verdict and findings as they stand now and what retention knows of it.
// Where only its figures are damaged they are computed from its frame times; where only its
// verdict or findings are, it is copied unjudged, for the agent to check it again. The
// report lists what was not copied, with the logs to read again, and what was mended. The
// copy appears under its name when it is complete. Histories are not copied.
func (s *Store) Salvage(ctx context.Context, path string) (r Report, err error) {
	part, err := newPart(path)
	if err != nil {
		return r, fmt.Errorf("salvage: %w", err)
	}
	if r, err = s.salvageTo(ctx, part); err == nil {
		err = finishPart(part, path)
	}
	if err != nil {
		removeStore(part)
		return r, fmt.Errorf("salvage: %w", err)
	}
	return r, nil
}

func (s *Store) salvageTo(ctx context.Context, path string) (r Report, err error) {
	if err := makeEmpty(path); err != nil {
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
	return r, nil
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

// newPart returns the name under which a new store is written until it is complete, and
// clears away what an earlier attempt left there. Whatever else is in the way is refused.
func newPart(path string) (string, error) {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("%s exists already: name another file", path)
	}
	part := path + ".part"
	info, err := os.Lstat(part) // nothing is read through a link
	if errors.Is(err, fs.ErrNotExist) {
		return part, nil
	}
	if err != nil {
		return "", err
	}
	var h schema.Head
	if info.Mode().IsRegular() {
		if h, err = schema.ReadHead(part); err != nil {
			return "", err
		}
	}
	if !info.Mode().IsRegular() || !h.Unfinished() {
		return "", fmt.Errorf("%s is in the way and was not left by an earlier attempt: move it, or name another file", part)
	}
	return part, removeStore(part)
}

// makeEmpty makes the file of a copy, which only its owner may read; a plain error says where
// that is not possible.
func makeEmpty(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	return f.Close()
}

func removeStore(path string) error {
	for _, suffix := range []string{"-wal", "-shm", "-journal", ""} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// finishPart gives a complete file its name, which must still be free.
func finishPart(part, path string) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	err = f.Sync()
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	// A link is made only where nothing has the name; some file systems have none.
	switch err := os.Link(part, path); {
	case err == nil:
		err = os.Remove(part)
		syncDir(filepath.Dir(path))
		return err
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s exists by now: name another file", path)
	}
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s exists by now: name another file", path)
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	syncDir(filepath.Dir(path))
	return nil
}
