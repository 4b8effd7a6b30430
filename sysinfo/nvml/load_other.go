//go:build !windows && (!linux || (!amd64 && !arm64) || static)

package nvml

import "capd.example/record"

func loadLibrary(string) (find func(string) uintptr, why Gap) {
	return nil, Gap{record.Unsupported, "this build cannot load libraries"}
}

func callLibrary(uintptr, ...uintptr) uintptr { return nvmlNoFunction }
