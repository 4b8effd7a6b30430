package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"golang.org/x/sys/windows"
)

const limitHint = "close programs that watch many folders to have events again"

// probeWriter opens the log for reading without letting anybody write, which fails while
// a writer has it open, and closes it at once.
func probeWriter(path string) Writer {
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

// remote reports whether the folder lies on a network drive.
func remote(folder string) bool {
	volume := filepath.VolumeName(folder)
	if strings.HasPrefix(volume, `\\`) {
		return !strings.HasPrefix(volume, `\\?\`) && !strings.HasPrefix(volume, `\\.\`)
	}
	root, err := windows.UTF16PtrFromString(volume + `\`)
	return err == nil && windows.GetDriveType(root) == windows.DRIVE_REMOTE
}

func noRoom(err error) bool {
	return errors.Is(err, windows.ERROR_NOT_ENOUGH_MEMORY) || errors.Is(err, windows.ERROR_NO_SYSTEM_RESOURCES) ||
		errors.Is(err, windows.ERROR_TOO_MANY_OPEN_FILES)
}

// fileID asks for volume and index; opening without any access right disturbs nobody.
func fileID(path string, _ fs.FileInfo) string {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return ""
	}
	const share = windows.FILE_SHARE_READ | windows.FILE_SHARE_WRITE | windows.FILE_SHARE_DELETE
	h, err := windows.CreateFile(name, 0, share, nil, windows.OPEN_EXISTING, windows.FILE_FLAG_BACKUP_SEMANTICS, 0)
	if err != nil {
		return ""
	}
	defer windows.CloseHandle(h)
	var i windows.ByHandleFileInformation
	if windows.GetFileInformationByHandle(h, &i) != nil {
		return ""
	}
	return fmt.Sprintf("%x-%x%08x", i.VolumeSerialNumber, i.FileIndexHigh, i.FileIndexLow)
}
