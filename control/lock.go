package control

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/gofrs/flock"
)

// ErrHeld says that an agent holds a data folder and cannot be talked to: it is still starting,
// or hangs, or belongs to another user.
var ErrHeld = errors.New("an agent holds the data folder and does not answer")

// LockPath is the file of a data folder that its agent holds locked for as long as it lives.
func LockPath(dataDir string) string { return filepath.Join(dataDir, "agent.lock") }

// Held reports whether an agent holds a data folder.
func Held(dataDir string) (bool, error) {
	path := LockPath(dataDir)
	if info, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) || err == nil && !info.Mode().IsRegular() {
		return false, nil
	}
	lock := flock.New(path, flock.SetFlag(os.O_RDONLY))
	got, err := lock.TryRLock() // shared: two who look do not see each other
	if got {
		return false, lock.Unlock()
	}
	return err == nil, err
}
