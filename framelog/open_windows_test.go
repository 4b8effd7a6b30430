package framelog

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"capd.example/internal/testlab"
)

// TestReadLogMayGo: while a log is read its logger may rename and delete it, as on Linux.
func TestReadLogMayGo(t *testing.T) {
	path := filepath.Join(testlab.Folder(t), "log.csv")
	if err := os.WriteFile(path, []byte("1\n2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := openShared(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := os.Rename(path, path+".old"); err != nil {
		t.Errorf("it cannot be renamed: %v", err)
	}
	if err := os.Remove(path + ".old"); err != nil {
		t.Errorf("it cannot be deleted: %v", err)
	}
	if b, err := io.ReadAll(f); err != nil || string(b) != "1\n2\n" {
		t.Errorf("read %q, %v", b, err)
	}
}
