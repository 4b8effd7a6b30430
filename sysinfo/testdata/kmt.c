// A stand-in for the calls of Windows' graphics kernel, under Wine: the card of testdata/nvml.c,
// a card of each of two other makers that throttles, and a program that only pretends to be a
// card. Their clocks fall from look to look, just below the temperature at which they say that
// they begin to throttle. Only answers of the exact size are given.
#include <string.h>
#include "d3dkmt.h"
#define API __declspec(dllexport)
#define INVALID 0xC000000Du
static const struct card { KMT_LUID luid; u32 type, vendor, device, bus, sub; u64 memory; } cards[] = {
  {{0x1111, 0}, 1 | 2, 0x10DE, 0xFFD1, 0x0b, 0x0001FEED, 16ull << 30},
  {{0xC2B5, 0}, 1 | 2, 0x1002, 0xFFF1, 0x03, 0x0002FEED, 8ull << 30},
  {{0xD155, 0}, 1 | 2, 0x8086, 0xFFB2, 0x04, 0x0003FEED, 4ull << 30},
  {{0x2222, 0}, 1 | 4, 0x1414, 0x008C, 0, 0, 0},
};
enum { CARDS = 4, OTHERS = 2 }; /* those after the first */
#define OTHER(n) ((n) >= 1 && (n) <= OTHERS)
static int open_handles;
API u32 D3DKMTEnumAdapters2(D3DKMT_ENUMADAPTERS2 *e) {
  if (!e->pAdapters) { e->NumAdapters = CARDS; return 0; }
  if (e->NumAdapters < CARDS) return 0xC0000023u;
  for (u32 i = 0; i < CARDS; i++) {
    e->pAdapters[i] = (D3DKMT_ADAPTERINFO){0x40 + i, cards[i].luid, 1, 0};
    open_handles++;
  }
  e->NumAdapters = CARDS;
  return 0;
}
API u32 D3DKMTOpenAdapterFromLuid(D3DKMT_OPENADAPTERFROMLUID *o) {
  for (u32 i = 0; i < CARDS; i++)
    if (!memcmp(&cards[i].luid, &o->AdapterLuid, sizeof(KMT_LUID))) { o->hAdapter = 0x40 + i; open_handles++; return 0; }
  return INVALID;
}
API u32 D3DKMTCloseAdapter(D3DKMT_CLOSEADAPTER *c) {
  if (c->hAdapter - 0x40 >= CARDS || open_handles <= 0) return INVALID;
  open_handles--;
  return 0;
}
API u32 D3DKMTQueryAdapterInfo(D3DKMT_QUERYADAPTERINFO *q) {
  static double mhz[CARDS]; /* a hundredth less at every look, so that it falls however long the agent runs */
  union {
    u32 type; D3DKMT_SEGMENTSIZEINFO memory; D3DKMT_ADAPTERADDRESS at; D3DKMT_QUERY_DEVICE_IDS ids;
    D3DKMT_ADAPTER_PERFDATA perf; D3DKMT_ADAPTER_PERFDATACAPS caps; D3DKMT_NODE_PERFDATA_OLD node; u32 wddm;
  } a;
  u32 n = q->hAdapter - 0x40, size;
  if (n >= CARDS || open_handles > 8) return INVALID; /* who never closes gets no more */
  memset(&a, 0, sizeof a);
  switch (q->Type) {
  case 3: a.memory.DedicatedVideoMemorySize = cards[n].memory; size = sizeof a.memory; break;
  case 6: a.at.BusNumber = cards[n].bus; size = sizeof a.at; break;
  case 15: a.type = cards[n].type; size = sizeof a.type; break;
  case 31:
    a.ids.DeviceIds = (D3DKMT_DEVICE_IDS){cards[n].vendor, cards[n].device, cards[n].sub & 0xFFFF, cards[n].sub >> 16, 0, 0};
    size = sizeof a.ids; break;
  case 61:
    size = sizeof a.node;
    if (!OTHER(n)) return INVALID;
    mhz[n] = mhz[n] > 10 ? 0.99 * mhz[n] : 2500;
    a.node.Frequency = (u64)(mhz[n] * 1e6); a.node.MaxFrequency = 2700000000ull;
    break;
  case 62:
    size = sizeof a.perf;
    if (!OTHER(n)) return INVALID;
    a.perf.MemoryFrequency = 2250000000ull; a.perf.FanRPM = 1830; a.perf.Power = 990; a.perf.Temperature = 945;
    break;
  case 63: a.caps.TemperatureWarning = OTHER(n) ? 950 : 0; a.caps.TemperatureMax = OTHER(n) ? 1100 : 0; size = sizeof a.caps; break;
  case 70: a.wddm = 1 | 2; size = sizeof a.wddm; break;
  default: return INVALID;
  }
  if (q->PrivateDriverDataSize != size) return INVALID;
  memcpy(q->pPrivateDriverData, &a, size);
  return 0;
}
