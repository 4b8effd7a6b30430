package detect

import (
	"testing"

	"capd.example/sysinfo/machinetest"
)

// TestLayoutOfWindows: sizes and offsets are those of the headers of mingw-w64.
func TestLayoutOfWindows(t *testing.T) {
	machinetest.Layout(t, []string{"windows.h"}, map[string]int{
		"sizeof(DEVMODEW)":                                                        220,
		"offsetof(DEVMODEW, dmSize)":                                              68,
		"offsetof(DEVMODEW, dmPelsWidth)":                                         172,
		"offsetof(DEVMODEW, dmPelsHeight)":                                        176,
		"offsetof(DEVMODEW, dmDisplayFrequency)":                                  184,
		"sizeof(DISPLAY_DEVICEW)":                                                 840,
		"offsetof(DISPLAY_DEVICEW, DeviceID)":                                     328,
		"offsetof(DISPLAY_DEVICEW, DeviceKey)":                                    584,
		"sizeof(SYSTEM_POWER_STATUS)":                                             12,
		"offsetof(SYSTEM_POWER_STATUS, ACLineStatus)":                             0,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Processor.GroupCount)": 30,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Processor.GroupMask)":  32,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Cache.Level)":          8,
		"offsetof(SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX, Cache.CacheSize)":      12,
		"sizeof(GROUP_AFFINITY)":                                                  16,
		"RelationProcessorCore":                                                   0,
		"RelationCache":                                                           2,
		"RelationProcessorPackage":                                                3,
	})
}
