// A stand-in for the call of Windows' kernel32 that Wine does not heed: it notes which process is
// to run efficiently, and which is not any more, in the file that EFFICIENCY_FILE names, and
// refuses what is not as processthreadsapi.h declares it.
#include <stdio.h>
#include <stdlib.h>
#define SetProcessInformation declared_by_the_header
#include <windows.h>
#undef SetProcessInformation
__declspec(dllexport) BOOL WINAPI SetProcessInformation(HANDLE process, int class, void *data, DWORD size) {
  const PROCESS_POWER_THROTTLING_STATE *s = data;
  const char *name = getenv("EFFICIENCY_FILE");
  DWORD pid = GetProcessId(process); /* 0 where the handle may not tell: another process */
  FILE *f;
  if (class != ProcessPowerThrottling || size != sizeof *s || s->Version != PROCESS_POWER_THROTTLING_CURRENT_VERSION ||
      s->StateMask & ~s->ControlMask || s->ControlMask & ~PROCESS_POWER_THROTTLING_EXECUTION_SPEED) {
    SetLastError(ERROR_INVALID_PARAMETER);
    return FALSE;
  }
  if (name && (f = fopen(name, "ab"))) {
    fprintf(f, "%lu %s\n", pid, s->StateMask ? "on" : "off");
    fclose(f);
  }
  return TRUE;
}
