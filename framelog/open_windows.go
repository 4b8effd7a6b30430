package framelog

import (
	"os"

	"golang.org/x/sys/windows"
)

// openShared opens a file for reading and keeps its writer from nothing: the standard library
// would not let it be renamed or deleted meanwhile.
func openShared(path string) (*os.File, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err == nil {
		var h windows.Handle
		const share = windows.FILE_SHARE_READ | windows.FILE_SHARE_WRITE | windows.FILE_SHARE_DELETE
		h, err = windows.CreateFile(name, windows.GENERIC_READ, share, nil, windows.OPEN_EXISTING,
			windows.FILE_ATTRIBUTE_NORMAL, 0)
		if err == nil {
			return os.NewFile(uintptr(h), path), nil
		}
	}
	return nil, &os.PathError{Op: "open", Path: path, Err: err}
}
