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
int nvmlDeviceGetHandleByIndex_v2(u32 i, void **d) { *d = (void *)(0x1000ll + i); return 0; }
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
/* With NVML_HOT the card is slowed by its heat (nvmlClocksThrottleReasonHwThermalSlowdown). */
int nvmlDeviceGetCurrentClocksThrottleReasons(void *d, u64 *v) { *v = 0x104 | 0x20 | (getenv("NVML_HOT") ? 0x40 : 0); return 0; }

/* Who uses the card: the file named by NVML_USE holds lines "pid sm enc dec memory_mib
   compute"; sm of -1 stands for a program that only holds a context. */
struct use { u32 pid; u64 at; u32 sm, mem, enc, dec; };
struct proc { u32 pid; u64 mem; u32 gi, ci; };
static int each(void (*take)(void *, u32, int, u32, u32, u64, u32), void *to) {
  const char *name = getenv("NVML_USE");
  FILE *f = name ? fopen(name, "r") : NULL;
  u32 pid, enc, dec, compute; int sm, n = 0; unsigned mib;
  if (!f) return -1;
  while (fscanf(f, "%u %d %u %u %u %u", &pid, &sm, &enc, &dec, &mib, &compute) == 6) { take(to, pid, sm, enc, dec, (u64)mib << 20, compute); n++; }
  fclose(f);
  return n;
}
struct to { u32 *n, room; void *list; int compute; };
static void takeUse(void *v, u32 pid, int sm, u32 enc, u32 dec, u64 mem, u32 compute) {
  struct to *t = v;
  if (sm < 0) return;
  if (*t->n < t->room) ((struct use *)t->list)[*t->n] = (struct use){pid, 1, sm, 0, enc, dec};
  ++*t->n;
}
int nvmlDeviceGetProcessUtilization(void *d, struct use *list, u32 *n, u64 since) {
  struct to t = {n, *n, list, 0};
  *n = 0;
  if (each(takeUse, &t) < 0) return 3;
  return *n == 0 ? 6 : *n > t.room ? 7 : 0;
}
static void takeProc(void *v, u32 pid, int sm, u32 enc, u32 dec, u64 mem, u32 compute) {
  struct to *t = v;
  if ((int)compute != t->compute) return;
  if (*t->n < t->room) ((struct proc *)t->list)[*t->n] = (struct proc){pid, mem ? mem : ~0ull, 0, 0};
  ++*t->n;
}
static int procs(u32 *n, struct proc *list, int compute) {
  struct to t = {n, *n, list, compute};
  *n = 0;
  if (each(takeProc, &t) < 0) return 3;
  return *n > t.room ? 7 : 0;
}
int nvmlDeviceGetGraphicsRunningProcesses_v3(void *d, u32 *n, struct proc *list) { return procs(n, list, 0); }
int nvmlDeviceGetComputeRunningProcesses_v3(void *d, u32 *n, struct proc *list) { return procs(n, list, 1); }
int nvmlDeviceGetPcieThroughput(void *d, int direction, u32 *kb) { *kb = direction == 0 ? 40000 : 1500000; return 0; }
