package nvml

import (
	"syscall"

	"capd.example/record"
	"golang.org/x/sys/windows"
)

// loadLibrary opens a library of the system folder.
func loadLibrary(file string) (find func(string) uintptr, why Gap) {
	dll := windows.NewLazySystemDLL(file)
	if err := dll.Load(); err != nil {
		return nil, Gap{record.Absent, file + " is not installed"}
	}
	return func(name string) uintptr {
		p := dll.NewProc(name)
		if p.Find() != nil {
			return 0
		}
		return p.Addr()
	}, Gap{}
}

func callLibrary(fn uintptr, args ...uintptr) uintptr {
	r, _, _ := syscall.SyscallN(fn, args...)
	return r & 0xFFFFFFFF
}
