//go:build unix

package store_test

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"capd.example/store"
)

// What is no file in the place of the store, or of what the database puts beside it, is
// refused by name: opening a named pipe would wait for ever.
func TestWhatIsNoFileIsNotOpened(t *testing.T) {
	for _, part := range []string{"", "-wal", "-shm", "-journal"} {
		path := filepath.Join(t.TempDir(), "passes.db")
		if part != "" {
			must(t, mustOpen(t, path).Close())
			os.Remove(path + part)
		}
		must(t, syscall.Mkfifo(path+part, 0o600))
		for _, readOnly := range []bool{false, true} {
			s, err := store.Open(ctx, path, store.Options{ReadOnly: readOnly})
			if err == nil {
				s.Close()
			}
			if err == nil || !strings.Contains(err.Error(), "passes.db"+part+" is no regular file") {
				t.Errorf("passes.db%s is a pipe, to read only: %v: %v", part, readOnly, err)
			}
		}
	}
}
