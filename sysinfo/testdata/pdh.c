// A stand-in for Windows' library of performance counters with the functions that sysinfo
// calls, as winperf.h and pdh.h declare them, so that asking for every program's use of
// the cards runs where no card is. It lies about the room that it needs once.
#include <string.h>
#include <wchar.h>
typedef unsigned int u32;
typedef long long i64;
#define API __declspec(dllexport)
#define MORE_DATA 0x800007D2u
enum { ENGINES = 1, MEMORY, ADAPTERS, BOOST };
#define NOCAP100 0x8000u
struct item { const wchar_t *name; u32 status, pad; union { double real; i64 whole; } value; };
static int collects, lied;
API u32 PdhOpenQueryW(void *source, void *user, void **query) { *query = (void *)7; return 0; }
API u32 PdhCloseQuery(void *query) { return 0; }
API u32 PdhRemoveCounter(void *counter) { return 0; }
API u32 PdhCollectQueryData(void *query) { collects++; return 0; }
/* A processor whose clock falls from 150 % of its base clock, as documented: "counter values
   are capped at a value of 100" without PDH_FMT_NOCAP100. */
API u32 PdhGetFormattedCounterValue(void *counter, u32 format, u32 *kind, void *value) {
  struct { u32 status, pad; double real; } v = {0, 0, collects < 20 ? 150 - 3 * collects : 90};
  if ((int)(long long)counter != BOOST) return 0xC0000BC6;
  if (!(format & NOCAP100) && v.real > 100) v.real = 100;
  memcpy(value, &v, sizeof v);
  return 0;
}
API u32 PdhAddEnglishCounterW(void *query, const wchar_t *path, void *user, void **counter) {
  int c = wcsstr(path, L"GPU Engine(*") ? ENGINES : wcsstr(path, L"GPU Process Memory(*)") ? MEMORY : wcsstr(path, L"GPU Adapter Memory(*)") ? ADAPTERS : wcsstr(path, L"% Processor Performance") ? BOOST : 0;
  *counter = (void *)(long long)c;
  return c ? 0 : 0xC0000BB9;
}
#define CARD L"luid_0x00000000_0x0000C2B5_phys_0"
#define SMALL L"luid_0x00000000_0x00001111_phys_0"
static const struct item engines[] = {
  {L"pid_10_" CARD L"_eng_0_engtype_3D", 0, 0, {80}}, {L"pid_10_" CARD L"_eng_1_engtype_Compute_0", 0, 0, {5}},
  {L"pid_20_" CARD L"_eng_0_engtype_3D", 1, 0, {6}}, {L"pid_20_" CARD L"_eng_4_engtype_VideoDecode", 0, 0, {30}},
  {L"pid_20_" CARD L"_eng_3_engtype_Copy", 0xC0000BBA, 0, {99}}, {L"pid_30_" SMALL L"_eng_3_engtype_Copy", 0, 0, {11}},
};
static const struct item memory[] = {{L"pid_10_" CARD, 0, 0, {.whole = 2ll << 30}}, {L"pid_20_" CARD, 0, 0, {.whole = 512 << 20}}};
static const struct item adapters[] = {{SMALL, 0, 0, {.whole = 100 << 20}}, {CARD, 0, 0, {.whole = 3ll << 30}}};
API u32 PdhGetFormattedCounterArrayW(void *counter, u32 format, u32 *size, u32 *count, void *buffer) {
  static const struct { const struct item *list; u32 n; } all[] = {{0, 0}, {engines, 6}, {memory, 2}, {adapters, 2}, {0, 0}};
  int c = (int)(long long)counter;
  u32 need = all[c].n * sizeof(struct item);
  for (u32 i = 0; i < all[c].n; i++) need += 2 * (wcslen(all[c].list[i].name) + 1);
  if (*size < need) {
    *size = lied++ == 0 ? 8 : need;
    return MORE_DATA;
  }
  struct item *to = buffer;
  wchar_t *name = (wchar_t *)(to + all[c].n); /* the names lie behind the items */
  for (u32 i = 0; i < all[c].n; i++) {
    to[i] = all[c].list[i];
    to[i].name = wcscpy(name, to[i].name);
    name += wcslen(name) + 1;
  }
  *count = all[c].n;
  *size = need;
  return 0;
}
