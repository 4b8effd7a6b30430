//go:build unix

package host

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// dontWait opens a named pipe at once, which then turns out to be no program.
const dontWait = syscall.O_NONBLOCK

// trusted reports why others than this user and root could change what lies at path: it
// or a folder above it is theirs or can be written to by them. A sticky folder such as
// /tmp above it is accepted, because others cannot replace in it what is not theirs.
func trusted(path string) error {
	info, err := os.Lstat(path)
	if err != nil {
		return err
	}
	if info.Mode()&os.ModeSymlink != 0 {
		return fmt.Errorf("%s is a link; put the file itself there", path)
	}
	for at := path; ; at = filepath.Dir(at) {
		if err := owned(at, at != path); err != nil {
			return err
		}
		if at == filepath.Dir(at) {
			return nil
		}
	}
}

func owned(path string, above bool) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if st, ok := info.Sys().(*syscall.Stat_t); ok && st.Uid != 0 && int(st.Uid) != os.Geteuid() {
		return fmt.Errorf("%s belongs to another user; it must be yours or root's", path)
	}
	if info.Mode().Perm()&0o022 != 0 && !(above && info.Mode()&os.ModeSticky != 0) {
		return fmt.Errorf("others can write to %s (mode %v): run chmod go-w %s", path, info.Mode().Perm(), path)
	}
	return nil
}
