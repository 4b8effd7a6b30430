package store

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"capd.example/store/internal/schema"
	"capd.example/store/internal/tables"
)

// keepOlder copies a store that an earlier version of the program wrote, before it is brought
// up to date: the earlier version cannot read it any more then, the copy it can. The copy
// lies beside the store and is named after the version of its schema.
func (s *Store) keepOlder(ctx context.Context) error {
	v, err := schema.Version(ctx, s.db)
	if err != nil || v == 0 || v == schema.Latest {
		return err
	}
	to := fmt.Sprintf("%s.version-%d", s.path, v)
	if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
		// From another time: an older store may have been put back since.
		to += s.now().UTC().Format("-20060102T150405Z")
	}
	// Another program may be doing the same now.
	part := to + "." + rand.Text() + ".part"
	if err = s.copyAsIs(ctx, part); err == nil {
		err = schema.FinishPart(part, to)
	}
	if err != nil {
		schema.RemoveStore(part)
	}
	if _, there := os.Lstat(to); there == nil {
		err = nil // the other program was faster
	}
	if err != nil {
		return fmt.Errorf("copy the store before it is brought up to date: %w", err)
	}
	return nil
}

// fills seal the passes of a store that had no digests yet.
var fills = schema.Fills{9: tables.SealAll}
