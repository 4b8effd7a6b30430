package owncost

import (
	"syscall"
	"time"
	"unsafe"

	"capd.example/sysinfo/winsys"
)

var (
	procCounter     = winsys.Kernel32.NewProc("QueryPerformanceCounter")
	procCounterRate = winsys.Kernel32.NewProc("QueryPerformanceFrequency")

	// The rate is fixed while the system runs, and neither call fails from Windows XP on
	// (Microsoft, "QueryPerformanceFrequency function").
	counterStart, counterRate = askCounter(procCounter.Addr()), askCounter(procCounterRate.Addr())
)

func askCounter(address uintptr) (n int64) {
	syscall.SyscallN(address, uintptr(unsafe.Pointer(&n)))
	return n
}

// FineTime returns the time since this program started, in steps of a microsecond at most.
// [time.Now] moves with the system's tick on Windows, every 0.5 to 15.6 ms, in which frames
// and samples vanish; the performance counter is what Microsoft names for intervals
// ("Acquiring high-resolution time stamps").
func FineTime() time.Duration {
	return fromTicks(askCounter(procCounter.Addr())-counterStart, counterRate)
}
