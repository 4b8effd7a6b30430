package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"unsafe"

	"golang.org/x/sys/windows"
)

const limitHint = "close programs that watch many folders to have events again"

// probeWriter opens the log for reading without letting anybody write, which fails while
// a writer has it open, and closes it at once. Where nobody else has it open at all it leaves that
// be: a logger that opens its file anew for each line must not meet us.
func probeWriter(path string) Writer {
	if nobodyElse(path) {
		return WriterNone
	}
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return WriterUnknown
	}
	h, err := windows.CreateFile(name, windows.GENERIC_READ, windows.FILE_SHARE_READ, nil, windows.OPEN_EXISTING,
		windows.FILE_ATTRIBUTE_NORMAL, 0)
	switch {
	case err == nil:
		_ = windows.CloseHandle(h)
		return WriterNone
	case errors.Is(err, windows.ERROR_SHARING_VIOLATION), errors.Is(err, windows.ERROR_LOCK_VIOLATION):
		return WriterOpen
	case errors.Is(err, windows.ERROR_ACCESS_DENIED):
		return WriterRefused
	}
	return WriterUnknown
}

// nobodyElse reports whether no other process has a file open, as far as the file system tells. We
// open it with a right that keeps nobody from anything.
func nobodyElse(path string) bool {
	h, err := openWith(path, windows.FILE_READ_ATTRIBUTES, windows.FILE_ATTRIBUTE_NORMAL)
	if err != nil {
		return false
	}
	defer windows.CloseHandle(h)
	var users [usersHead + 8*16]byte // more than a log ever has
	var told windows.IO_STATUS_BLOCK
	err = windows.NtQueryInformationFile(h, &told, &users[0], uint32(len(users)), fileUsers)
	return err == nil && onlyUser(users[:], uint64(os.Getpid()))
}

// marksOf returns a file's attributes and, where it has one, its reparse tag, without opening
// what the tag stands for.
func marksOf(path string, info fs.FileInfo) (attributes, tag uint32) {
	if data, is := info.Sys().(*syscall.Win32FileAttributeData); is {
		attributes = data.FileAttributes
	}
	if attributes&windows.FILE_ATTRIBUTE_REPARSE_POINT == 0 {
		return attributes, 0
	}
	h, err := openWith(path, 0, windows.FILE_FLAG_OPEN_REPARSE_POINT|windows.FILE_FLAG_BACKUP_SEMANTICS)
	if err != nil {
		return attributes, 0
	}
	defer windows.CloseHandle(h)
	var is struct{ attributes, tag uint32 } // FILE_ATTRIBUTE_TAG_INFO of winbase.h
	if windows.GetFileInformationByHandleEx(h, windows.FileAttributeTagInfo, (*byte)(unsafe.Pointer(&is)),
		uint32(unsafe.Sizeof(is))) != nil {
		return attributes, 0
	}
	return is.attributes, is.tag
}

// openWith opens what is there and disturbs nobody.
func openWith(path string, access, flags uint32) (windows.Handle, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return 0, err
	}
	const share = windows.FILE_SHARE_READ | windows.FILE_SHARE_WRITE | windows.FILE_SHARE_DELETE
	return windows.CreateFile(name, access, share, nil, windows.OPEN_EXISTING, flags, 0)
}

// remote reports whether the folder lies on a network drive.
func remote(folder string) bool {
	volume := filepath.VolumeName(folder)
	if share, local := onShare(volume); share || local {
		return share
	}
	root, err := windows.UTF16PtrFromString(volume + `\`)
	return err == nil && windows.GetDriveType(root) == windows.DRIVE_REMOTE
}

func noRoom(err error) bool {
	return errors.Is(err, windows.ERROR_NOT_ENOUGH_MEMORY) || errors.Is(err, windows.ERROR_NO_SYSTEM_RESOURCES) ||
		errors.Is(err, windows.ERROR_TOO_MANY_OPEN_FILES)
}

// fileID asks for volume and number; opening without any access right disturbs nobody. The
// number has 128 bits where the file system tells them (ReFS, Dev Drive), else 64.
func fileID(path string, _ fs.FileInfo) string {
	h, err := openWith(path, 0, windows.FILE_FLAG_BACKUP_SEMANTICS)
	if err != nil {
		return ""
	}
	defer windows.CloseHandle(h)
	var wide struct { // FILE_ID_INFO of winbase.h
		volume uint64
		id     [16]byte
	}
	if windows.GetFileInformationByHandleEx(h, windows.FileIdInfo, (*byte)(unsafe.Pointer(&wide)),
		uint32(unsafe.Sizeof(wide))) == nil {
		return fmt.Sprintf("%x-%x", wide.volume, wide.id)
	}
	var i windows.ByHandleFileInformation
	if windows.GetFileInformationByHandle(h, &i) != nil {
		return ""
	}
	return fmt.Sprintf("%x-%x%08x", i.VolumeSerialNumber, i.FileIndexHigh, i.FileIndexLow)
}

// longName undoes the short name that an event may carry ("one of these names, unspecified
// which", FILE_NOTIFY_INFORMATION), so that a log is one log under both.
func longName(path string) string {
	if !strings.Contains(path, "~") {
		return path
	}
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return path
	}
	var buf [windows.MAX_LONG_PATH]uint16
	n, err := windows.GetLongPathName(name, &buf[0], uint32(len(buf)))
	if err != nil || n == 0 || int(n) >= len(buf) {
		return path // gone, as an old name is after renaming
	}
	return windows.UTF16ToString(buf[:n])
}
