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
