// The structures of d3dkmthk.h that sysinfo asks with, declared as Microsoft documents them
// (windows-hardware/drivers/ddi/d3dkmthk); mingw has no such header. What no page gives, from
// memory: the numbers of the kinds 3, 15 and 31.
typedef unsigned int u32;
typedef int i32;
typedef unsigned short u16;
typedef unsigned char u8;
typedef unsigned long long u64;
typedef struct { u32 LowPart; i32 HighPart; } KMT_LUID;
typedef struct { u32 hAdapter; KMT_LUID AdapterLuid; u32 NumOfSources; u32 bPrecisePresentRegionsPreferred; } D3DKMT_ADAPTERINFO;
typedef struct { u32 NumAdapters; D3DKMT_ADAPTERINFO *pAdapters; } D3DKMT_ENUMADAPTERS2;
typedef struct { KMT_LUID AdapterLuid; u32 hAdapter; } D3DKMT_OPENADAPTERFROMLUID;
typedef struct { u32 hAdapter; u32 Type; void *pPrivateDriverData; u32 PrivateDriverDataSize; } D3DKMT_QUERYADAPTERINFO;
typedef struct { u32 hAdapter; } D3DKMT_CLOSEADAPTER;
typedef struct { u64 DedicatedVideoMemorySize, DedicatedSystemMemorySize, SharedSystemMemorySize; } D3DKMT_SEGMENTSIZEINFO;
typedef struct { u32 BusNumber, DeviceNumber, FunctionNumber; } D3DKMT_ADAPTERADDRESS;
typedef struct { u32 VendorID, DeviceID, SubVendorID, SubSystemID, RevisionID, BusType; } D3DKMT_DEVICE_IDS;
typedef struct { u32 PhysicalAdapterIndex; D3DKMT_DEVICE_IDS DeviceIds; } D3DKMT_QUERY_DEVICE_IDS;
typedef struct {
  u32 PhysicalAdapterIndex;
  u64 MemoryFrequency, MaxMemoryFrequency, MaxMemoryFrequencyOC, MemoryBandwidth, PCIEBandwidth;
  u32 FanRPM, Power, Temperature;
  u8 PowerStateOverride;
} D3DKMT_ADAPTER_PERFDATA;
typedef struct {
  u32 PhysicalAdapterIndex;
  u64 MaxMemoryBandwidth, MaxPCIEBandwidth;
  u32 MaxFanRPM, TemperatureMax, TemperatureWarning;
} D3DKMT_ADAPTER_PERFDATACAPS;
typedef struct {
  u32 NodeOrdinal, PhysicalAdapterIndex;
  u64 Frequency, MaxFrequency, MaxFrequencyOC;
  u32 Voltage, VoltageMax, VoltageMaxOC;
  u64 MaxTransitionLatency;
} D3DKMT_NODE_PERFDATA_OLD; /* older headers, and drivers that take no other size */
typedef struct { D3DKMT_NODE_PERFDATA_OLD is; u64 Reserved; } D3DKMT_NODE_PERFDATA;
