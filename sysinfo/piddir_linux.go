package sysinfo

import (
	"encoding/binary"

	"golang.org/x/sys/unix"
)

// pidDir lists the numbers in /proc without allocating: the entries are read into one
// buffer and only the numbers are looked at.
type pidDir struct {
	fd  int
	buf [32 << 10]byte
}

func openPIDDir(path string) (*pidDir, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	return &pidDir{fd: fd}, nil
}

func (d *pidDir) list(to []int) ([]int, error) {
	if _, err := unix.Seek(d.fd, 0, 0); err != nil {
		return to, err
	}
	for {
		n, err := unix.Getdents(d.fd, d.buf[:])
		if err != nil || n <= 0 {
			return to, err
		}
		// struct linux_dirent64: inode, offset (8 bytes each), length of the entry (2),
		// type (1), name.
		for b := d.buf[:n]; len(b) >= 20; {
			size := int(binary.NativeEndian.Uint16(b[16:]))
			if size < 20 || size > len(b) {
				break
			}
			if pid, ok := number(b[19:size]); ok {
				to = append(to, pid)
			}
			b = b[size:]
		}
	}
}

// number reads a name of digits alone, up to its zero.
func number(b []byte) (int, bool) {
	n := 0
	for i, c := range b {
		if c == 0 {
			return n, i > 0
		}
		if c < '0' || c > '9' || n > 1<<30 {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, len(b) > 0
}
