//go:build unix

package control

import (
	"net"
	"os"
	"path/filepath"
	"testing"
)

// A link in the place of the socket's folder leaves what it leads to as it is.
func TestFolderIsNoLink(t *testing.T) {
	data, other := t.TempDir(), t.TempDir()
	if err := os.Chmod(other, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(other, filepath.Join(data, "control")); err != nil {
		t.Fatal(err)
	}
	if l, err := listen(t.Context(), data); err == nil {
		l.Close()
		t.Error("it listens behind a link")
	}
	if info, err := os.Stat(other); err != nil || info.Mode().Perm() != 0o755 {
		t.Errorf("the folder behind the link has rights %v, %v", info.Mode(), err)
	}
}

// leave leaves the socket of an agent that was killed.
func leave(t *testing.T, path string) {
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	l.Close()
}
