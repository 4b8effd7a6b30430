package control

import (
	"fmt"
	"os"
	"path/filepath"
)

// shorten returns a path to the same socket that fits into an address: a long folder is
// reached through the descriptor of its open self (proc(5), /proc/self/fd).
func shorten(path string) (short string, done func(), err error) {
	if len(path) <= longest {
		return path, func() {}, nil
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return "", nil, err
	}
	short = fmt.Sprintf("/proc/self/fd/%d/%s", folder.Fd(), filepath.Base(path))
	return short, func() { folder.Close() }, nil
}
