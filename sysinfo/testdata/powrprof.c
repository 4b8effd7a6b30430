// A stand-in for Windows' library of power management with the functions that sysinfo calls, as
// powrprof.h, powersetting.h and ntpoapi.h declare them: processors whose clocks fall from look to
// look, a plan that somebody made and named, and a mode in force that is another than the plan.
#define WIN32_LEAN_AND_MEAN
#include <windows.h>
#include <string.h>
#define API __declspec(dllexport)
struct core { ULONG number, most, now, limit, idle, idles; }; /* PROCESSOR_POWER_INFORMATION */
API LONG WINAPI CallNtPowerInformation(int level, void *in, ULONG in_size, void *out, ULONG size) {
  static LONG looks;
  SYSTEM_INFO system;
  struct core *c = out;
  LONG n = InterlockedIncrement(&looks);
  GetSystemInfo(&system);
  if (level != 11) return 0xC000000D;
  if (size < system.dwNumberOfProcessors * sizeof *c) return 0xC0000023;
  for (ULONG i = 0; i < system.dwNumberOfProcessors; i++)
    c[i] = (struct core){i, 4500, 4500 - 100 * (n < 20 ? n : 20) - i, 4500, 2, 0};
  return 0;
}
static const GUID plan = {0x51d3a9f2, 0x77c0, 0x4e1b, {0x9a, 0x34, 0x10, 0x22, 0x5e, 0x6c, 0x88, 0x01}};
API DWORD WINAPI PowerGetActiveScheme(HKEY key, GUID **scheme) {
  *scheme = LocalAlloc(LMEM_FIXED, sizeof plan);
  memcpy(*scheme, &plan, sizeof plan);
  return 0;
}
API DWORD WINAPI PowerReadFriendlyName(HKEY key, const GUID *scheme, const GUID *group, const GUID *setting, UCHAR *name, DWORD *size) {
  static const WCHAR said[] = L"Quiet bench";
  if (memcmp(scheme, &plan, sizeof plan)) return ERROR_FILE_NOT_FOUND;
  if (*size < sizeof said) { *size = sizeof said; return ERROR_MORE_DATA; }
  memcpy(name, said, sizeof said);
  *size = sizeof said;
  return 0;
}
typedef void WINAPI told(int mode, void *context);
static told *tell;
static HANDLE teller;
static DWORD WINAPI telling(void *context) { tell(3, context); return 0; } /* high performance */
API HRESULT WINAPI PowerRegisterForEffectivePowerModeNotifications(ULONG version, told *callback, void *context, void **handle) {
  if (version != 1 || !callback || !handle || teller) return E_INVALIDARG; /* who never leaves is not told again */
  tell = callback;
  teller = CreateThread(NULL, 0, telling, context, 0, NULL);
  *handle = &teller;
  return S_OK;
}
API HRESULT WINAPI PowerUnregisterFromEffectivePowerModeNotifications(void *handle) {
  if (handle != &teller) return E_INVALIDARG;
  WaitForSingleObject(teller, INFINITE);
  CloseHandle(teller);
  teller = NULL;
  return S_OK;
}
