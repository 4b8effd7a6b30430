package watcher

import (
	"os"
	"path/filepath"
	"testing"

	"capd.example/internal/testlab"
)

// TestFileID: a file keeps its number when it is renamed and written to, and another one has another.
func TestFileID(t *testing.T) {
	dir := testlab.Folder(t)
	one, two := filepath.Join(dir, "one.csv"), filepath.Join(dir, "two.csv")
	for _, path := range []string{one, two} {
		if err := os.WriteFile(path, []byte(path), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	first, second := fileID(one, nil), fileID(two, nil)
	if first == "" || second == "" || first == second {
		t.Errorf("%q and %q", first, second)
	}
	moved := filepath.Join(dir, "moved.csv")
	if err := os.Rename(one, moved); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(moved, []byte("more than before"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := fileID(moved, nil); got != first {
		t.Errorf("%q after renaming, %q before", got, first)
	}
	if got := fileID(one, nil); got != "" {
		t.Errorf("%q of a file that is gone", got)
	}
}

// TestProbe: whoever writes a log is seen, whoever reads it is not, and nobody is kept from it.
func TestProbe(t *testing.T) {
	path := filepath.Join(testlab.Folder(t), "log.csv")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := probeWriter(path); got != WriterOpen {
		t.Errorf("while it is written: %v", got)
	}
	f.Close()
	for _, open := range []func(string) (*os.File, error){nil, os.Open} {
		if open != nil {
			r, err := open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
		}
		if got := probeWriter(path); got != WriterNone {
			t.Errorf("while nobody writes it: %v", got)
		}
	}
}
