package process

import (
	"testing"

	"capd.example/sysinfo/machinetest"
)

// TestLayoutOfWindows: offsets are those of the headers of mingw-w64.
func TestLayoutOfWindows(t *testing.T) {
	machinetest.Layout(t, []string{"windows.h", "winternl.h"}, map[string]int{
		"offsetof(SYSTEM_PROCESS_INFORMATION, NextEntryOffset)":              0,
		"offsetof(SYSTEM_PROCESS_INFORMATION, CreateTime)":                   32,
		"offsetof(SYSTEM_PROCESS_INFORMATION, UserTime)":                     40,
		"offsetof(SYSTEM_PROCESS_INFORMATION, KernelTime)":                   48,
		"offsetof(SYSTEM_PROCESS_INFORMATION, ImageName.Length)":             56,
		"offsetof(SYSTEM_PROCESS_INFORMATION, ImageName.Buffer)":             64,
		"offsetof(SYSTEM_PROCESS_INFORMATION, UniqueProcessId)":              80,
		"offsetof(SYSTEM_PROCESS_INFORMATION, InheritedFromUniqueProcessId)": 88,
		"offsetof(SYSTEM_PROCESS_INFORMATION, HandleCount)":                  96,
	})
}
