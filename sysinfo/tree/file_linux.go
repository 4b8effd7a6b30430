package tree

import (
	"errors"
	"sync"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

var ErrNoData error = syscall.ENODATA

// File is a kept descriptor that is read from its start again and again. Reads are plain
// system calls: through the runtime's poller a sensor that answers EAGAIN would make the
// reader wait for ever.
type File struct {
	path string
	fd   int
	// raw reads do without telling the Go runtime, which for every system call that might
	// block wakes its monitor thread up.
	raw bool
}

// Open opens a file that is read again and again.
func Open(path string) (*File, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	// What the kernel writes from its own memory is there at once. Any other file may
	// block, one of the same name below a container's /proc included.
	return &File{path: path, fd: fd, raw: OfProc(fd)}, nil
}

// KernelFile is an open file that the kernel writes from its own memory. It cannot be opened
// anew.
func KernelFile(fd int) *File { return &File{fd: fd, raw: true} }

// OfProc reports whether a descriptor is of the kernel's proc file system.
func OfProc(fd int) bool { return onSystem(fd, unix.PROC_SUPER_MAGIC) }

func onSystem(fd int, magic int64) bool {
	var st unix.Statfs_t
	return unix.Fstatfs(fd, &st) == nil && int64(st.Type) == magic
}

// spare is how many descriptors the sampler leaves to the rest of the agent.
const spare = 64

// mostDescriptors is the limit of this process; a process's own limit is what the runtime
// made of it at the start.
var mostDescriptors = sync.OnceValue(func() int {
	var limit unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_NOFILE, &limit) != nil {
		return 1 << 20
	}
	return int(min(limit.Cur, 1<<20))
})

// Scarce reports that few descriptors are left: the system gives out the lowest free one.
func (f *File) Scarce() bool { return f.fd >= mostDescriptors()-spare }

// NoDescriptor reports whether something could not be opened for want of descriptors.
func NoDescriptor(err error) bool { return errors.Is(err, unix.EMFILE) || errors.Is(err, unix.ENFILE) }

// Prompt says that a file of sysfs tells what the processor itself knows, so that it
// cannot block as a sensor behind a slow bus or a firmware's mutex can.
func (f *File) Prompt() { f.raw = f.raw || onSystem(f.fd, unix.SYSFS_MAGIC) }

// Kernels says that the file is the kernel's own, and no stand-in of the same name.
func (f *File) Kernels() bool { return f.raw }

func (f *File) pread(buf []byte) (int, error) {
	if !f.raw || len(buf) == 0 {
		return unix.Pread(f.fd, buf, 0)
	}
	n, _, e := unix.RawSyscall6(unix.SYS_PREAD64, uintptr(f.fd), uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)), 0,
		0, 0)
	if e != 0 {
		return 0, e
	}
	return int(n), nil
}

// Read fills buf from the file's start and returns how much there was. A device that
// went away and came back is opened anew.
func (f *File) Read(buf []byte) (int, error) {
	n, err := f.pread(buf)
	if err == unix.EINTR {
		n, err = f.pread(buf)
	}
	if err == unix.ENODEV {
		if again, openErr := unix.Open(f.path, unix.O_RDONLY|unix.O_CLOEXEC, 0); openErr == nil {
			unix.Close(f.fd)
			f.fd = again
			n, err = f.pread(buf)
		}
	}
	return max(n, 0), err
}

// ReadAll is for files that come in pieces: it reads until buf is full or the end.
func (f *File) ReadAll(buf []byte) (int, error) {
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

// Close gives the descriptor back; a nil file has none.
func (f *File) Close() {
	switch {
	case f == nil || f.fd < 0:
		return
	case f.raw:
		unix.RawSyscall(unix.SYS_CLOSE, uintptr(f.fd), 0, 0)
	default:
		unix.Close(f.fd)
	}
	f.fd = -1
}
