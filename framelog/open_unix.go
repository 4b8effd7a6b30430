//go:build !windows

package framelog

import (
	"os"
	"syscall"
)

// openShared opens a file for reading. A named pipe is opened at once, which then turns out to be
// no regular file.
func openShared(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
}
