//go:build unix

package store

import (
	"os"
	"path/filepath"
	"testing"
)

// A store is its owner's alone also in a folder that others may enter.
func TestNewStoreIsItsOwnersAlone(t *testing.T) {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), filepath.Join(dir, "passes.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.SetSetting(t.Context(), "a", "b"); err != nil { // which makes the files beside it
		t.Fatal(err)
	}
	files, err := os.ReadDir(dir)
	if err != nil || len(files) < 3 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		if info, err := f.Info(); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", f.Name(), info.Mode(), err)
		}
	}
}
