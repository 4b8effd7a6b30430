package schema

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// syncDir makes a rename last; systems that cannot do so need not.
func syncDir(dir string) {
	if d, err := os.Open(dir); err == nil {
		d.Sync()
		d.Close()
	}
}

// NewPart returns the name under which a new store is written until it is complete, and
// clears away what an earlier attempt left there. Whatever else is in the way is refused.
func NewPart(path string) (string, error) {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("%s exists already: name another file", path)
	}
	part := path + ".part"
	info, err := os.Lstat(part) // nothing is read through a link
	if errors.Is(err, fs.ErrNotExist) {
		return part, nil
	}
	if err != nil {
		return "", err
	}
	var h Head
	if info.Mode().IsRegular() {
		if h, err = ReadHead(part); err != nil {
			return "", err
		}
	}
	if !info.Mode().IsRegular() || !h.Unfinished() {
		return "", fmt.Errorf("%s is in the way and was not left by an earlier attempt: move it, or name another file", part)
	}
	return part, RemoveStore(part)
}

// MakeEmpty makes the file of a copy, which only its owner may read; a plain error says where
// that is not possible.
func MakeEmpty(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	return f.Close()
}

// RemoveStore removes a store with the files beside it that are its own.
func RemoveStore(path string) error {
	for _, suffix := range []string{"-wal", "-shm", "-journal", ""} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// FinishPart gives a complete file its name, which must still be free.
func FinishPart(part, path string) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	err = f.Sync()
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	// A link is made only where nothing has the name; some file systems have none.
	switch err := os.Link(part, path); {
	case err == nil:
		err = os.Remove(part)
		syncDir(filepath.Dir(path))
		return err
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s exists by now: name another file", path)
	}
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s exists by now: name another file", path)
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	syncDir(filepath.Dir(path))
	return nil
}
