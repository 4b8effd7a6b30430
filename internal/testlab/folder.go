package testlab

import (
	"os"
	"runtime"
	"testing"
)

// Folder returns an empty folder that is removed at the end of the test. Under Wine, whose
// removal of a whole tree fails since Go asks for it in a new way, it is left to the prefix.
func Folder(t testing.TB) string {
	t.Helper()
	if runtime.GOOS != "windows" {
		return t.TempDir()
	}
	dir, err := os.MkdirTemp("", "test")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}
