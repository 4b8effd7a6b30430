package owncost

import (
	"fmt"
	"time"
	"unsafe"

	"capd.example/sysinfo/winsys"
	"golang.org/x/sys/windows"
)

var (
	procMemoryInfo = winsys.Kernel32.NewProc("K32GetProcessMemoryInfo")
	procIOCounters = winsys.Kernel32.NewProc("GetProcessIoCounters")
)

func ownCost(c *Cost) {
	self := windows.CurrentProcess()
	var created, ended, kernel, user windows.Filetime
	if windows.GetProcessTimes(self, &created, &ended, &kernel, &user) == nil {
		span := func(t windows.Filetime) time.Duration {
			return 100 * time.Duration(uint64(t.HighDateTime)<<32|uint64(t.LowDateTime))
		}
		c.Processor = span(kernel) + span(user)
	}
	// PROCESS_MEMORY_COUNTERS: size, faults, then peak and present working set.
	var m struct {
		size, faults  uint32
		peak, present uintptr
		_             [6]uintptr
	}
	m.size = uint32(unsafe.Sizeof(m))
	if procMemoryInfo.Find() == nil {
		if ok, _, _ := procMemoryInfo.Call(uintptr(self), uintptr(unsafe.Pointer(&m)), uintptr(m.size)); ok != 0 {
			c.Resident, c.ResidentMost = uint64(m.present), uint64(m.peak)
		}
	}
	var io windows.IO_COUNTERS
	if procIOCounters.Find() == nil {
		if ok, _, _ := procIOCounters.Call(uintptr(self), uintptr(unsafe.Pointer(&io))); ok != 0 {
			c.Reads, c.Read, c.Written = io.ReadOperationCount, io.ReadTransferCount, io.WriteTransferCount
		}
	}
}

func releaseProgram() {}

// threadTime is not asked for: the system counts in steps longer than any sample.
func threadTime() (time.Duration, bool) { return 0, false }

// LowerPriority makes this process give way to others: below normal for any value above
// zero.
func LowerPriority(nice int) error {
	class := uint32(windows.NORMAL_PRIORITY_CLASS)
	if nice > 0 {
		class = windows.BELOW_NORMAL_PRIORITY_CLASS
	}
	if err := windows.SetPriorityClass(windows.CurrentProcess(), class); err != nil {
		return fmt.Errorf("lower the priority: %w", err)
	}
	return nil
}
