package process

import (
	"bytes"
	"encoding/binary"
	"strconv"
	"time"
	"unsafe"

	"capd.example/sysinfo/tree"
	"golang.org/x/sys/unix"
)

// sinceBoot returns how long the machine runs, sleep included, as /proc counts it.
func sinceBoot() (time.Duration, bool) {
	var t unix.Timespec
	_, _, e := unix.RawSyscall(unix.SYS_CLOCK_GETTIME, unix.CLOCK_BOOTTIME, uintptr(unsafe.Pointer(&t)), 0)
	return time.Duration(t.Nano()), e == 0
}

// processTime returns the processor time of all threads of a process in ns. It costs a
// twentieth of a read of its file in /proc and is exact, where that counts in ticks. The
// number of the clock is that of the kernel's include/linux/posix-timers.h
// (make_process_cpuclock, CPUCLOCK_SCHED), which the C library's clock_getcpuclockid
// makes too.
func processTime(pid int) (uint64, bool) {
	var t unix.Timespec
	clock := int32(^pid)<<3 | 2
	_, _, e := unix.RawSyscall(unix.SYS_CLOCK_GETTIME, uintptr(clock), uintptr(unsafe.Pointer(&t)), 0)
	return uint64(t.Nano()), e == 0
}

// threadID returns the number of the thread that runs now.
func threadID() int { return unix.Gettid() }

// pidDir lists the numbers in /proc without allocating: the entries are read into one
// buffer and only the numbers are looked at.
type pidDir struct {
	fd   int
	path string
	raw  bool // see file
	buf  [32 << 10]byte
	name [48]byte
	link [32]byte
}

func openPIDDir(path string) (*pidDir, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	return &pidDir{fd: fd, path: path, raw: tree.OfProc(fd)}, nil
}

// close gives the descriptor back; nothing can be listed after it.
func (d *pidDir) close() {
	if d.fd >= 0 {
		unix.Close(d.fd)
	}
	d.fd = -1
}

// stat opens the file of that name of a process.
func (d *pidDir) stat(pid int) (*tree.File, error) {
	if !d.raw {
		return tree.Open(d.path + "/" + strconv.Itoa(pid) + "/stat")
	}
	name := append(strconv.AppendInt(d.name[:0], int64(pid), 10), "/stat\x00"...)
	fd, _, e := unix.RawSyscall6(unix.SYS_OPENAT, uintptr(d.fd), uintptr(unsafe.Pointer(&name[0])),
		unix.O_RDONLY|unix.O_CLOEXEC, 0, 0, 0)
	if e != 0 {
		return nil, e
	}
	return tree.KernelFile(int(fd)), nil
}

func (d *pidDir) rewind() error {
	if !d.raw {
		_, err := unix.Seek(d.fd, 0, 0)
		return err
	}
	if _, _, e := unix.RawSyscall(unix.SYS_LSEEK, uintptr(d.fd), 0, 0); e != 0 {
		return e
	}
	return nil
}

func (d *pidDir) entries() (int, error) {
	if !d.raw {
		return unix.Getdents(d.fd, d.buf[:])
	}
	n, _, e := unix.RawSyscall(unix.SYS_GETDENTS64, uintptr(d.fd), uintptr(unsafe.Pointer(&d.buf)), uintptr(len(d.buf)))
	if e != 0 {
		return 0, e
	}
	return int(n), nil
}

func (d *pidDir) list(to []int) ([]int, error) {
	if err := d.rewind(); err != nil {
		return to, err
	}
	for {
		n, err := d.entries()
		if err != nil || n <= 0 {
			return to, err
		}
		for name, b := nextEntry(d.buf[:n]); name != nil; name, b = nextEntry(b) {
			if pid, ok := tree.Number(name); ok {
				to = append(to, pid)
			}
		}
	}
}

// nextEntry returns the name of the first entry of a listing, with its zero, and the
// others; nil at the end. struct linux_dirent64: inode, offset (8 bytes each), length of
// the entry (2), type (1), name.
func nextEntry(b []byte) (name, rest []byte) {
	if len(b) < 20 {
		return nil, nil
	}
	size := int(binary.NativeEndian.Uint16(b[16:]))
	if size < 20 || size > len(b) || bytes.IndexByte(b[19:size], 0) < 0 {
		return nil, nil
	}
	return b[19:size], b[size:]
}

// holds reports whether a process has a file open that fits. It looks at some files,
// beginning where the last call ended, and returns where to go on, 0 for at the end.
func (d *pidDir) holds(pid int, from int64, fits func(file []byte) bool) (found bool, next int64) {
	next, _ = d.EachFile(pid, from, func(_ int, target []byte) bool {
		found = fits(target)
		return !found
	})
	if found {
		next = 0
	}
	return found, next
}

// EachFile visits some of a process's open files, beginning where the last call ended,
// until visit returns false; next is where to go on, 0 for at the end. Only one's own
// processes show their files.
func (d *pidDir) EachFile(pid int, from int64, visit func(fd int, target []byte) bool) (next int64, err error) {
	if !d.raw {
		return 0, eachFileIn(d.path+"/"+strconv.Itoa(pid)+"/fd", visit)
	}
	name := append(strconv.AppendInt(d.name[:0], int64(pid), 10), "/fd\x00"...)
	fd, _, e := unix.RawSyscall6(unix.SYS_OPENAT, uintptr(d.fd), uintptr(unsafe.Pointer(&name[0])),
		unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0, 0, 0)
	if e != 0 {
		return 0, e
	}
	defer unix.RawSyscall(unix.SYS_CLOSE, fd, 0, 0)
	const entry = 24 // bytes of an entry with a name of up to four digits
	unix.RawSyscall(unix.SYS_LSEEK, fd, uintptr(from), 0)
	n, _, e := unix.RawSyscall(unix.SYS_GETDENTS64, fd, uintptr(unsafe.Pointer(&d.buf)), filesPerLook*entry)
	if e != 0 {
		return 0, e
	}
	for name, b := nextEntry(d.buf[:n]); name != nil; name, b = nextEntry(b) {
		n, _, e := unix.RawSyscall6(unix.SYS_READLINKAT, fd, uintptr(unsafe.Pointer(&name[0])),
			uintptr(unsafe.Pointer(&d.link)), uintptr(len(d.link)), 0, 0)
		if e != 0 {
			continue
		}
		if num, ok := tree.Number(name); ok && !visit(num, d.link[:n]) {
			return 0, nil
		}
	}
	if next, _, e := unix.RawSyscall(unix.SYS_LSEEK, fd, 0, 1); n > 0 && e == 0 && next > uintptr(from) &&
		next < filesLookedAt {
		return int64(next), nil
	}
	return 0, nil
}

// Info reads what the kernel tells of an open file of a process.
func (d *pidDir) Info(pid, file int, buf []byte) (int, error) {
	if !d.raw {
		return infoIn(d.path, pid, file, buf)
	}
	name := append(strconv.AppendInt(d.name[:0], int64(pid), 10), "/fdinfo/"...)
	name = append(strconv.AppendInt(name, int64(file), 10), 0)
	fd, _, e := unix.RawSyscall6(unix.SYS_OPENAT, uintptr(d.fd), uintptr(unsafe.Pointer(&name[0])),
		unix.O_RDONLY|unix.O_CLOEXEC, 0, 0, 0)
	if e != 0 {
		return 0, e
	}
	defer unix.RawSyscall(unix.SYS_CLOSE, fd, 0, 0)
	n, _, e := unix.RawSyscall6(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)), 0, 0, 0)
	if e != 0 {
		return 0, e
	}
	return int(n), nil
}
