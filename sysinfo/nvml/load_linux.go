//go:build linux && (amd64 || arm64) && !static

package nvml

import (
	"capd.example/record"
	"github.com/ebitengine/purego"
)

// loadLibrary opens a shared library without cgo. The build tag static leaves it out, for
// systems without glibc.
func loadLibrary(file string) (find func(string) uintptr, why Gap) {
	h, err := purego.Dlopen(file, purego.RTLD_NOW|purego.RTLD_LOCAL)
	if err != nil {
		return nil, Gap{record.Absent, file + " is not installed"}
	}
	return func(name string) uintptr {
		addr, err := purego.Dlsym(h, name)
		if err != nil {
			return 0
		}
		return addr
	}, Gap{}
}

func callLibrary(fn uintptr, args ...uintptr) uintptr {
	r, _, _ := purego.SyscallN(fn, args...)
	return r & 0xFFFFFFFF
}
