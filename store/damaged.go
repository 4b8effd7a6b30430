package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"capd.example/store/internal/notes"
	"capd.example/store/internal/schema"
	"capd.example/store/internal/sqlbase"
)

// OpenDamaged opens what is left of a store that [Open] refuses as [ErrCorrupt], for
// [Store.Verify] and [Store.Salvage] alone. Nothing is written to it. Where not even its
// tables can be found the error, [ErrCorrupt], says what is left to do.
func OpenDamaged(ctx context.Context, path string) (*Store, error) {
	s := &Store{path: path, now: time.Now, readOnly: true, busy: busyTimeout, damaged: true}
	h, err := schema.ReadHead(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("open store: %s: %w", path, ErrNoStore)
	case err != nil:
		return nil, fmt.Errorf("open store: %w", err)
	}
	waiting, err := os.Stat(path + "-wal")
	if want := h.Pages * h.PageSize; h.Database && h.Size < want && (err != nil || waiting.Size() == 0) {
		s.cut = fmt.Sprintf("the file is cut off: %d of its %d bytes are there", h.Size, want)
	}
	nothing := func(why string) error {
		return fmt.Errorf("open store: %s: %w, and no pass can be read from it (%s): put the file aside, with those beside it that begin with its name, and restore a backup; without one start the agent, which reads the logs again",
			path, ErrCorrupt, why)
	}
	if !h.Database {
		return nil, nothing(fmt.Sprintf("its first page is not there; it has %d bytes", h.Size))
	}
	if err := s.connect("ro", "query_only(1)"); err != nil {
		return nil, fmt.Errorf("open store: %w", err)
	}
	has := func(table string) error {
		_, err := sqlbase.NumbersOf(ctx, s.db, `SELECT 1 FROM `+table+` LIMIT 0`)
		return err
	}
	if err := has("pass_rows"); err != nil {
		s.db.Close()
		return nil, nothing(err.Error())
	}
	s.bare = has("digests") != nil
	s.book = notes.New(s.read, s.write, s.now, has("notes") != nil)
	return s, nil
}
