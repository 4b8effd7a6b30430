// A stand-in for the vendor's library with the functions that sysinfo calls, signatures as
// in the public nvml.h, so that loading, calling and reduction run without a card. The
// card can be lost and come back: touch or remove the file named by NVML_LOST.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
typedef unsigned int u32;
typedef unsigned long long u64;
static int lost(void) { const char *f = getenv("NVML_LOST"); return f && access(f, F_OK) == 0; }
int nvmlInit_v2(void) { return lost() ? 9 : 0; }
int nvmlShutdown(void) { return 0; }
int nvmlSystemGetDriverVersion(char *s, u32 n) { snprintf(s, n, "555.10"); return 0; }
int nvmlDeviceGetCount_v2(u32 *n) { *n = 1; return 0; }
int nvmlDeviceGetHandleByIndex_v2(u32 i, void **d) { *d = (void *)(long)(0x1000 + i); return 0; }
int nvmlDeviceGetName(void *d, char *s, u32 n) { snprintf(s, n, "Ridge 9"); return d == (void *)0x1000 ? 0 : 2; }
int nvmlDeviceGetVbiosVersion(void *d, char *s, u32 n) { snprintf(s, n, "96.00"); return 0; }
struct pci { char legacy[16]; u32 domain, bus, device, id, sub; char bus_id[32]; };
int nvmlDeviceGetPciInfo_v3(void *d, struct pci *p) {
  memset(p, 0, sizeof *p);
  p->bus = 0x0b; p->id = 0xFFD110DE; p->sub = 0x0001FEED;
  return 0;
}
struct mem { u64 total, free, used; };
int nvmlDeviceGetMemoryInfo(void *d, struct mem *m) { m->total = 16ull << 30; m->used = 3ull << 30; m->free = 13ull << 30; return 0; }
struct mem2 { u32 version; unsigned long long total, reserved, free, used; };
int nvmlDeviceGetMemoryInfo_v2(void *d, struct mem2 *m) { if (m->version != (2u << 24 | 40)) return 25; m->total = 16ull << 30; m->reserved = 1ull << 30; m->used = 2ull << 30; m->free = 13ull << 30; return 0; }
int nvmlDeviceGetBAR1MemoryInfo(void *d, struct mem *m) { m->total = 256ull << 20; return 0; }
int nvmlDeviceGetEnforcedPowerLimit(void *d, u32 *v) { *v = 285000; return 0; }
int nvmlDeviceGetMaxClockInfo(void *d, u32 kind, u32 *v) { return 3; }
int nvmlDeviceGetCurrPcieLinkGeneration(void *d, u32 *v) { *v = 1; return 0; }
int nvmlDeviceGetCurrPcieLinkWidth(void *d, u32 *v) { *v = 8; return 0; }
int nvmlDeviceGetMaxPcieLinkGeneration(void *d, u32 *v) { *v = 4; return 0; }
int nvmlDeviceGetMaxPcieLinkWidth(void *d, u32 *v) { *v = 16; return 0; }
int nvmlDeviceGetTemperature(void *d, u32 sensor, u32 *v) { *v = 71; return lost() ? 15 : 0; }
int nvmlDeviceGetClockInfo(void *d, u32 kind, u32 *v) { *v = kind == 0 ? 2505 : kind == 2 ? 10501 : 1; return 0; }
int nvmlDeviceGetPowerUsage(void *d, u32 *v) { *v = 281500; return 0; }
struct util { u32 gpu, memory; };
int nvmlDeviceGetUtilizationRates(void *d, struct util *u) { u->gpu = 98; u->memory = 40; return 0; }
int nvmlDeviceGetSupportedClocksThrottleReasons(void *d, u64 *v) { *v = 0x6c; return 0; }
int nvmlDeviceGetCurrentClocksThrottleReasons(void *d, u64 *v) { *v = 0x104 | 0x20; return 0; }
