package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

const limitHint = "raise fs.inotify.max_user_watches or max_user_instances (sysctl) to have events again"

// probeWriter asks for a read lease, which the kernel grants only while nobody has the
// file open for writing (fcntl(2), F_SETLEASE), and gives it back at once: a lease that
// is held would delay a logger that opens the file again.
func probeWriter(path string) Writer {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOFOLLOW, 0)
	if errors.Is(err, fs.ErrPermission) {
		return WriterRefused
	}
	if err != nil {
		return WriterUnknown
	}
	defer f.Close()
	_, err = unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_RDLCK)
	switch {
	case err == nil:
		_, _ = unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_UNLCK) // closing gives it back too
		return WriterNone
	case errors.Is(err, unix.EAGAIN):
		return WriterOpen
	}
	return WriterUnknown // not one's own file, or a file system without leases
}

// Magic numbers of file systems whose changes are made by other machines or programs
// without events (statfs(2) and linux/magic.h; vboxsf from the kernel's fs/vboxsf).
var remoteMagic = map[uint32]bool{
	0x6969: true, 0x517b: true, 0xff534d42: true, 0xfe534d42: true, // NFS, SMB, CIFS, SMB2
	0x01021997: true, 0x65735546: true, 0x00c36400: true, 0x5346414f: true, // 9P, FUSE, Ceph, AFS
	0x73757245: true, 0x564c: true, 0x0bd00bd0: true, 0x786f4256: true, // Coda, NCP, Lustre, vboxsf
}

// remote reports whether the folder lies on a network file system.
func remote(folder string) bool {
	var s unix.Statfs_t
	return unix.Statfs(folder, &s) == nil && remoteMagic[uint32(s.Type)]
}

// noRoom reports whether the system has no watches left (inotify(7)).
func noRoom(err error) bool {
	return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EMFILE) || errors.Is(err, unix.ENOMEM)
}

func fileID(_ string, info fs.FileInfo) string {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return unixID(uint64(s.Dev), s.Ino)
	}
	return ""
}

func unixID(device, inode uint64) string { return fmt.Sprintf("%x-%x", device, inode) }

// marksOf: only Windows has such.
func marksOf(string, fs.FileInfo) (attributes, tag uint32) { return 0, 0 }

// longName: only Windows has short ones.
func longName(path string) string { return path }
