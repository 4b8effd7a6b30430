package look_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"capd.example/store"
	"capd.example/store/look"
)

// A store that an agent has just made is in its journal alone, while the agent runs.
func TestStoreOfAFirstRun(t *testing.T) {
	ctx, path := context.Background(), filepath.Join(t.TempDir(), "passes.db")
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if info, err := os.Stat(path + "-wal"); err != nil || info.Size() == 0 {
		t.Fatalf("the journal is not there: %v", err)
	}
	if seen, err := look.At(ctx, path); err != nil || seen.Version != seen.Latest || !seen.Whole {
		t.Errorf("%+v, %v", seen, err)
	}
}

func TestNoStore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	if _, err := look.At(context.Background(), path); !errors.Is(err, store.ErrNoStore) {
		t.Error(err)
	}
}
