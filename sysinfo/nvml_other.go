//go:build !windows && (!linux || (!amd64 && !arm64) || static)

package sysinfo

import "capd.example/record"

func loadLibrary(string) (find func(string) uintptr, why gap) {
	return nil, gap{record.Unsupported, "this build cannot load libraries"}
}

func callLibrary(uintptr, ...uintptr) uintptr { return nvmlNoFunction }
