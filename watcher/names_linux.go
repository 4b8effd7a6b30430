package watcher

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// inotifyNames is a listener for names by inotify(7). The library that is used for folders
// at rest always asks for writes, too.
type inotifyNames struct {
	fd     int
	f      *os.File
	conn   syscall.RawConn
	out    chan happening
	ending chan struct{}
	ended  chan struct{}

	mu    sync.Mutex
	paths map[int]string
	marks map[string]int
}

func newNames() (names, error) {
	fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK)
	if err != nil {
		return nil, fmt.Errorf("listen for names: %w", err)
	}
	n := &inotifyNames{
		fd: fd, f: os.NewFile(uintptr(fd), "names"), out: make(chan happening), ending: make(chan struct{}),
		ended: make(chan struct{}),
		paths: map[int]string{}, marks: map[string]int{},
	}
	if n.conn, err = n.f.SyscallConn(); err == nil {
		err = n.f.SetReadDeadline(time.Time{}) // fails where the runtime cannot wait for it
	}
	if err != nil {
		n.f.Close()
		return nil, fmt.Errorf("listen for names: %w", err)
	}
	go n.listen()
	return n, nil
}

const nameEvents = unix.IN_CREATE | unix.IN_DELETE | unix.IN_MOVED_FROM | unix.IN_MOVED_TO |
	unix.IN_DELETE_SELF | unix.IN_MOVE_SELF | unix.IN_ONLYDIR

func (n *inotifyNames) Add(folder string) error { return n.mark(folder, nameEvents) }

func (n *inotifyNames) Await(log string) error {
	return n.mark(log, unix.IN_CLOSE_WRITE|unix.IN_ONESHOT|unix.IN_DONT_FOLLOW)
}

func (n *inotifyNames) mark(path string, mask uint32) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	wd, err := unix.InotifyAddWatch(n.fd, path, mask)
	if err != nil {
		return fmt.Errorf("listen for %s: %w", path, err)
	}
	n.paths[wd], n.marks[path] = path, wd
	return nil
}

func (n *inotifyNames) Remove(path string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	wd, ok := n.marks[path]
	if !ok {
		return
	}
	delete(n.marks, path)
	if n.paths[wd] == path { // else the mark is that of another name of the same file
		delete(n.paths, wd)
		_, _ = unix.InotifyRmWatch(n.fd, uint32(wd)) // the kernel may have dropped it already
	}
}

func (n *inotifyNames) Events() <-chan happening { return n.out }

func (n *inotifyNames) Close() {
	close(n.ending)
	n.f.Close()
	<-n.ended
}

// listen hands on what the kernel tells. Raw system calls, which never block here, leave
// the monitor thread of the Go runtime asleep.
func (n *inotifyNames) listen() {
	defer close(n.ended)
	var buf [16 << 10]byte
	for {
		var got uintptr
		var errno syscall.Errno
		err := n.conn.Read(func(fd uintptr) bool {
			got, _, errno = unix.RawSyscall(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&buf)), uintptr(len(buf)))
			return errno != unix.EAGAIN && errno != unix.EINTR
		})
		if err == nil && errno != 0 {
			err = errno
		}
		if err != nil {
			n.tell(happening{err: fmt.Errorf("listen for names: %w", err)})
			return
		}
		for b := buf[:got]; len(b) >= unix.SizeofInotifyEvent; {
			e := (*unix.InotifyEvent)(unsafe.Pointer(&b[0]))
			end := unix.SizeofInotifyEvent + int(e.Len)
			if h, ok := n.heard(e, b[unix.SizeofInotifyEvent:end]); ok && !n.tell(h) {
				return
			}
			b = b[end:]
		}
	}
}

func (n *inotifyNames) tell(h happening) bool {
	select {
	case n.out <- h:
		return true
	case <-n.ending:
		return false
	}
}

func (n *inotifyNames) heard(e *unix.InotifyEvent, name []byte) (h happening, ok bool) {
	if e.Mask&unix.IN_Q_OVERFLOW != 0 {
		return happening{err: ErrOverflow}, true
	}
	n.mu.Lock()
	path, known := n.paths[int(e.Wd)]
	if known && e.Mask&unix.IN_IGNORED != 0 {
		delete(n.paths, int(e.Wd))
		if n.marks[path] == int(e.Wd) {
			delete(n.marks, path)
		}
	}
	n.mu.Unlock()
	switch {
	case !known:
		return h, false
	case e.Mask&unix.IN_CLOSE_WRITE != 0:
		return happening{path: path, closed: true}, true
	case e.Mask&(unix.IN_DELETE_SELF|unix.IN_MOVE_SELF|unix.IN_UNMOUNT) != 0:
		return happening{path: path, gone: true}, true
	case e.Mask&unix.IN_IGNORED != 0 || len(name) == 0:
		return h, false
	}
	return happening{path: filepath.Join(path, unix.ByteSliceToString(name))}, true
}

// glance looks at one log of a local disk that is being written, which therefore is in the
// kernel's memory: a raw system call that the runtime need not be told of.
func (k *keeper) glance(path string) (File, error) {
	if k.remote {
		return File{}, errors.ErrUnsupported
	}
	name, err := unix.BytePtrFromString(path)
	if err != nil {
		return File{}, err
	}
	const basic = unix.STATX_TYPE | unix.STATX_INO | unix.STATX_SIZE | unix.STATX_MTIME
	s, here := &k.scratch, unix.AT_FDCWD
	_, _, e := unix.RawSyscall6(unix.SYS_STATX, uintptr(here), uintptr(unsafe.Pointer(name)), unix.AT_SYMLINK_NOFOLLOW,
		basic, uintptr(unsafe.Pointer(s)), 0)
	if e != 0 || s.Mask&basic != basic || s.Mode&unix.S_IFMT != unix.S_IFREG {
		return File{}, errors.ErrUnsupported
	}
	f := k.entries[path].file
	f.Size, f.ModTime = int64(s.Size), time.Unix(s.Mtime.Sec, int64(s.Mtime.Nsec))
	f.FileID = unixID(unix.Mkdev(s.Dev_major, s.Dev_minor), s.Ino)
	return f, nil
}

// scratch is what [keeper.glance] has the kernel write to.
type scratch = unix.Statx_t
