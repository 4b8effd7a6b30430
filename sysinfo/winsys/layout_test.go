package winsys

import (
	"testing"

	"capd.example/sysinfo/machinetest"
)

// TestLayoutOfTheGraphicsKernel: sizes and offsets are those of the structures as Microsoft
// declares them (windows-hardware/drivers/ddi/d3dkmthk), which testdata/d3dkmt.h repeats.
func TestLayoutOfTheGraphicsKernel(t *testing.T) {
	machinetest.Layout(t, []string{"d3dkmt.h"}, map[string]int{
		"sizeof(D3DKMT_ADAPTERINFO)":                                AdapterSize,
		"offsetof(D3DKMT_ADAPTERINFO, AdapterLuid)":                 4,
		"sizeof(D3DKMT_ENUMADAPTERS2)":                              16,
		"offsetof(D3DKMT_ENUMADAPTERS2, pAdapters)":                 8,
		"sizeof(D3DKMT_OPENADAPTERFROMLUID)":                        12,
		"sizeof(D3DKMT_QUERYADAPTERINFO)":                           24,
		"offsetof(D3DKMT_QUERYADAPTERINFO, pPrivateDriverData)":     8,
		"sizeof(D3DKMT_SEGMENTSIZEINFO)":                            24,
		"sizeof(D3DKMT_ADAPTERADDRESS)":                             12,
		"sizeof(D3DKMT_QUERY_DEVICE_IDS)":                           28,
		"offsetof(D3DKMT_QUERY_DEVICE_IDS, DeviceIds.VendorID)":     4,
		"sizeof(D3DKMT_ADAPTER_PERFDATA)":                           PerfSize,
		"offsetof(D3DKMT_ADAPTER_PERFDATA, MemoryFrequency)":        perfClock,
		"offsetof(D3DKMT_ADAPTER_PERFDATA, FanRPM)":                 perfFan,
		"offsetof(D3DKMT_ADAPTER_PERFDATA, Power)":                  perfPower,
		"offsetof(D3DKMT_ADAPTER_PERFDATA, Temperature)":            perfTemp,
		"sizeof(D3DKMT_ADAPTER_PERFDATACAPS)":                       capsSize,
		"offsetof(D3DKMT_ADAPTER_PERFDATACAPS, TemperatureWarning)": capsWarning,
		"sizeof(D3DKMT_NODE_PERFDATA)":                              NodeSize,
		"sizeof(D3DKMT_NODE_PERFDATA_OLD)":                          NodeSizeOld,
		"offsetof(D3DKMT_NODE_PERFDATA, is.Frequency)":              nodeClock,
	})
}

// TestLayoutOfScreens: sizes and offsets are those of the headers of mingw-w64.
func TestLayoutOfScreens(t *testing.T) {
	machinetest.Layout(t, []string{"windows.h"}, map[string]int{
		"sizeof(DISPLAYCONFIG_PATH_INFO)":                           displayPathSize,
		"offsetof(DISPLAYCONFIG_PATH_INFO, sourceInfo.modeInfoIdx)": pathSourceMode,
		"offsetof(DISPLAYCONFIG_PATH_INFO, targetInfo.refreshRate)": pathRate,
		"sizeof(DISPLAYCONFIG_MODE_INFO)":                           displayModeSize,
		"offsetof(DISPLAYCONFIG_MODE_INFO, infoType)":               0,
		"offsetof(DISPLAYCONFIG_MODE_INFO, sourceMode.width)":       modeWidth,
		"offsetof(DISPLAYCONFIG_MODE_INFO, sourceMode.height)":      modeHeight,
		"offsetof(DISPLAYCONFIG_MODE_INFO, sourceMode.position)":    modePlace,
		"DISPLAYCONFIG_MODE_INFO_TYPE_SOURCE":                       modeKindSource,
	})
}

// TestLayout: sizes and offsets are those of the headers of mingw-w64.
func TestLayout(t *testing.T) {
	machinetest.Layout(t, []string{"winsock2.h", "windows.h", "winternl.h", "netioapi.h"}, map[string]int{
		"sizeof(MIB_IF_ROW2)":                                                IfRowSize,
		"offsetof(MIB_IF_ROW2, InterfaceLuid)":                               IfRowLUID,
		"offsetof(MIB_IF_ROW2, InterfaceIndex)":                              IfRowIndex,
		"offsetof(MIB_IF_ROW2, InterfaceAndOperStatusFlags)":                 IfRowFlags,
		"offsetof(MIB_IF_ROW2, InOctets)":                                    IfRowIn,
		"offsetof(MIB_IF_ROW2, OutOctets)":                                   IfRowOut,
		"offsetof(MIB_IF_TABLE2, Table)":                                     IfTableRow,
		"offsetof(SYSTEM_PROCESS_INFORMATION, NextEntryOffset)":              0,
		"offsetof(SYSTEM_PROCESS_INFORMATION, CreateTime)":                   ProcessCreated,
		"offsetof(SYSTEM_PROCESS_INFORMATION, UserTime)":                     ProcessUser,
		"offsetof(SYSTEM_PROCESS_INFORMATION, KernelTime)":                   ProcessKernel,
		"offsetof(SYSTEM_PROCESS_INFORMATION, ImageName.Length)":             ProcessNameLen,
		"offsetof(SYSTEM_PROCESS_INFORMATION, ImageName.Buffer)":             ProcessNameAt,
		"offsetof(SYSTEM_PROCESS_INFORMATION, UniqueProcessId)":              ProcessNumber,
		"offsetof(SYSTEM_PROCESS_INFORMATION, InheritedFromUniqueProcessId)": ProcessParent,
		"offsetof(SYSTEM_PROCESS_INFORMATION, HandleCount)":                  ProcessSize,
		"sizeof(DISPLAY_DEVICEW)":                                            DeviceSize,
		"offsetof(DISPLAY_DEVICEW, DeviceID)":                                DeviceID,
		"offsetof(DISPLAY_DEVICEW, DeviceKey)":                               DeviceKey,
		"sizeof(DEVMODEW)":                                                   ModeSize,
		"offsetof(DEVMODEW, dmSize)":                                         ModeLength,
		"offsetof(DEVMODEW, dmPelsWidth)":                                    ModeWidth,
		"offsetof(DEVMODEW, dmPelsHeight)":                                   ModeHeight,
		"offsetof(DEVMODEW, dmDisplayFrequency)":                             ModeRate,
	})
	machinetest.Layout(t, []string{"ddk/wdm.h", "ddk/ntpoapi.h"}, map[string]int{
		"sizeof(PROCESSOR_POWER_INFORMATION)":               CoreSize,
		"offsetof(PROCESSOR_POWER_INFORMATION, Number)":     CoreNumber,
		"offsetof(PROCESSOR_POWER_INFORMATION, CurrentMhz)": CoreClock,
	})
}
