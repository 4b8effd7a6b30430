package host

import (
	"os"
	"os/exec"
	"syscall"
	"unsafe"

	"golang.org/x/sys/windows"
)

func setAttributes(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{
		HideWindow:    true,
		CreationFlags: windows.CREATE_NEW_PROCESS_GROUP | windows.IDLE_PRIORITY_CLASS,
	}
}

// tie is the job object that the process lives in; the system ends everything in it when
// its last handle is closed, so also when this process dies.
type tie struct{ job windows.Handle }

func (t tie) release() {
	if t.job != 0 {
		windows.CloseHandle(t.job)
	}
}

// bind puts the process into a job object with a memory limit. Best-effort: the watch and
// the kit's own look at its parent are still there.
func bind(p *os.Process, maxMemory int64) tie {
	job, err := windows.CreateJobObject(nil, nil)
	if err != nil {
		return tie{}
	}
	info := windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION{JobMemoryLimit: uintptr(4 * maxMemory)}
	info.BasicLimitInformation.LimitFlags = windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE | windows.JOB_OBJECT_LIMIT_JOB_MEMORY
	_, err = windows.SetInformationJobObject(job, windows.JobObjectExtendedLimitInformation,
		uintptr(unsafe.Pointer(&info)), uint32(unsafe.Sizeof(info)))
	if err == nil {
		var h windows.Handle
		h, err = windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE, false, uint32(p.Pid))
		if err == nil {
			err = windows.AssignProcessToJobObject(job, h)
			windows.CloseHandle(h)
		}
	}
	if err != nil {
		windows.CloseHandle(job)
		return tie{}
	}
	return tie{job}
}

// endGroup has nothing to do: closing the job object ends what the process started.
func endGroup(*os.Process) {}

var getProcessMemoryInfo = windows.NewLazySystemDLL("kernel32.dll").NewProc("K32GetProcessMemoryInfo")

// resident returns the working set of the process in bytes, 0 when it is not known.
func resident(pid int) int64 {
	h, err := windows.OpenProcess(windows.PROCESS_QUERY_LIMITED_INFORMATION, false, uint32(pid))
	if err != nil {
		return 0
	}
	defer windows.CloseHandle(h)
	// PROCESS_MEMORY_COUNTERS of psapi.h.
	var c struct {
		cb, pageFaults                                                                         uint32
		peakWorkingSet, workingSet                                                             uintptr
		peakPagedPool, pagedPool, peakNonPagedPool, nonPagedPool, pagefileUse, peakPagefileUse uintptr
	}
	c.cb = uint32(unsafe.Sizeof(c))
	if ok, _, _ := getProcessMemoryInfo.Call(uintptr(h), uintptr(unsafe.Pointer(&c)), uintptr(c.cb)); ok == 0 {
		return 0
	}
	return int64(c.workingSet)
}
