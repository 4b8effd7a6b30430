package detect

import (
	"testing"

	"capd.example/sysinfo/machinetest"
)

// TestLayoutOfWindows: sizes and offsets are those of the headers of mingw-w64.
func TestLayoutOfWindows(t *testing.T) {
	machinetest.Layout(t, []string{"windows.h", "winternl.h"}, map[string]int{
		"sizeof(SYSTEM_POWER_STATUS)":                                             12,
		"offsetof(SYSTEM_POWER_STATUS, ACLineStatus)":                             0,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Processor.GroupCount)": 30,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Processor.GroupMask)":  32,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Cache.Level)":          8,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Cache.CacheSize)":      12,
		"sizeof(GROUP_AFFINITY)":                                                  16,
		"sizeof(SYSTEM_CODEINTEGRITY_INFORMATION)":                                8,
		"offsetof(SYSTEM_CODEINTEGRITY_INFORMATION, CodeIntegrityOptions)":        4,
		"RelationProcessorCore":                                                   0,
		"RelationCache":                                                           2,
		"RelationProcessorPackage":                                                3,
	})
}
