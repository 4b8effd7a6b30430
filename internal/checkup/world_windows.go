package checkup

import (
	"os"

	"golang.org/x/sys/windows"
)

// system fills in what differs between the systems.
func (w *World) system() {
	w.Free = func(path string) (free uint64, err error) {
		name, err := windows.UTF16PtrFromString(path)
		if err != nil {
			return 0, err
		}
		err = windows.GetDiskFreeSpaceEx(name, &free, nil, nil)
		return free, err
	}
	for _, name := range []string{"OneDrive", "OneDriveConsumer", "OneDriveCommercial"} {
		if folder := os.Getenv(name); folder != "" {
			w.Synced = append(w.Synced, folder)
		}
	}
	w.Unsynced = func() bool { return false } // only an administrator can ask
	w.Bus = func() error { return nil }       // notifications need none
	w.Others = func() []Other { return nil }  // the lock of the data folder tells of one
}
