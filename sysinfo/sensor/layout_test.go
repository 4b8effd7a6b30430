package sensor

import (
	"testing"

	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/winsys"
)

// TestLayoutOfWindows: sizes and offsets are those of the headers of mingw-w64.
func TestLayoutOfWindows(t *testing.T) {
	machinetest.Layout(t, []string{"windows.h", "winternl.h", "pdh.h"}, map[string]int{
		"sizeof(SYSTEM_PROCESSOR_PERFORMANCE_INFORMATION)":               winCPUTimeSize,
		"offsetof(SYSTEM_PROCESSOR_PERFORMANCE_INFORMATION, IdleTime)":   0,
		"offsetof(SYSTEM_PROCESSOR_PERFORMANCE_INFORMATION, KernelTime)": 8,
		"offsetof(SYSTEM_PROCESSOR_PERFORMANCE_INFORMATION, UserTime)":   16,
		"sizeof(MEMORYSTATUSEX)":                                         64,
		"offsetof(MEMORYSTATUSEX, ullTotalPhys)":                         8,
		"offsetof(MEMORYSTATUSEX, ullAvailPhys)":                         16,
		"sizeof(PDH_FMT_COUNTERVALUE)":                                   16,
		"offsetof(PDH_FMT_COUNTERVALUE, doubleValue)":                    8,
		"sizeof(PDH_FMT_COUNTERVALUE_ITEM_W)":                            winsys.CounterItemSize,
		"offsetof(PDH_FMT_COUNTERVALUE_ITEM_W, FmtValue.CStatus)":        8,
		"offsetof(PDH_FMT_COUNTERVALUE_ITEM_W, FmtValue.doubleValue)":    16,
		"PDH_FMT_DOUBLE | PDH_FMT_NOCAP100":                              winsys.FormatDouble,
		"PDH_FMT_LARGE":                                                  winsys.FormatLarge,
	})
}
