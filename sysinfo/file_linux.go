package sysinfo

import (
	"syscall"

	"golang.org/x/sys/unix"
)

var errNoData error = syscall.ENODATA

// file is a kept descriptor that is read from its start again and again. Reads are plain
// system calls: through the runtime's poller a sensor that answers EAGAIN would make the
// reader wait for ever.
type file struct {
	path string
	fd   int
}

func openFile(path string) (*file, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	return &file{path: path, fd: fd}, nil
}

// read fills buf from the file's start and returns how much there was. A device that
// went away and came back is opened anew.
func (f *file) read(buf []byte) (int, error) {
	n, err := unix.Pread(f.fd, buf, 0)
	if err == unix.EINTR {
		n, err = unix.Pread(f.fd, buf, 0)
	}
	if err == unix.ENODEV {
		if again, openErr := unix.Open(f.path, unix.O_RDONLY|unix.O_CLOEXEC, 0); openErr == nil {
			unix.Close(f.fd)
			f.fd = again
			n, err = unix.Pread(f.fd, buf, 0)
		}
	}
	return max(n, 0), err
}

// readAll is for files that come in pieces: it reads until buf is full or the end.
func (f *file) readAll(buf []byte) (int, error) {
	total := 0
	for total < len(buf) {
		n, err := unix.Pread(f.fd, buf[total:], int64(total))
		if err != nil && err != unix.EINTR {
			return total, err
		}
		if n <= 0 && err == nil {
			break
		}
		total += max(n, 0)
	}
	return total, nil
}

func (f *file) close() {
	if f != nil && f.fd >= 0 {
		unix.Close(f.fd)
		f.fd = -1
	}
}
