package efficiency

import (
	"fmt"
	"unsafe"

	"golang.org/x/sys/windows"
)

// library has the call. A build for tests under Wine, which does not heed it, names a stand-in
// (-ldflags -X).
var library = "kernel32.dll"

// throttling is PROCESS_POWER_THROTTLING_STATE of processthreadsapi.h.
type throttling struct{ version, control, state uint32 }

const (
	powerThrottling  = 4 // ProcessPowerThrottling of PROCESS_INFORMATION_CLASS
	throttlingLatest = 1 // PROCESS_POWER_THROTTLING_CURRENT_VERSION
	executionSpeed   = 1 // PROCESS_POWER_THROTTLING_EXECUTION_SPEED
)

// Self has this process run efficiently, or as the system sees fit again.
func Self(on bool) error { return Of(windows.CurrentProcess(), on) }

// Of does that for a process, whose handle has the right PROCESS_SET_INFORMATION. Windows has the
// class since 10 1709.
func Of(process windows.Handle, on bool) error {
	set := windows.NewLazySystemDLL(library).NewProc("SetProcessInformation")
	if err := set.Find(); err != nil {
		return err
	}
	t := throttling{version: throttlingLatest}
	if on {
		t.control, t.state = executionSpeed, executionSpeed
	}
	if ok, _, err := set.Call(uintptr(process), powerThrottling, uintptr(unsafe.Pointer(&t)), unsafe.Sizeof(t)); ok == 0 {
		return fmt.Errorf("run on efficient cores: %w", err)
	}
	return nil
}
