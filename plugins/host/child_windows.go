package host

import (
	"errors"
	"fmt"
	"os/exec"
	"sync"
	"syscall"
	"unsafe"

	"capd.example/internal/efficiency"
	"golang.org/x/sys/windows"
)

// tie is the job object that a validator lives in; the system ends everything in it when
// its last handle is closed, so also when this process dies. Nothing can leave it. Where the
// system gives none, the process and the kit's own look at its parent are all there is.
type tie struct {
	cmd *exec.Cmd

	mu  sync.Mutex
	job windows.Handle
}

// startTied starts the program of cmd in a job object with a memory limit. It is suspended
// until it is in there, so that nothing it starts is outside.
func startTied(cmd *exec.Cmd, maxMemory int64) (*tie, error) {
	cmd.SysProcAttr = &syscall.SysProcAttr{
		HideWindow: true,
		CreationFlags: windows.CREATE_NEW_PROCESS_GROUP | windows.IDLE_PRIORITY_CLASS | windows.CREATE_SUSPENDED |
			windows.CREATE_NO_WINDOW, // no console comes up where the agent has none
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	h, err := windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE|windows.PROCESS_SUSPEND_RESUME|
		windows.PROCESS_SET_INFORMATION, false, uint32(cmd.Process.Pid))
	t := &tie{cmd: cmd}
	if err == nil {
		defer windows.CloseHandle(h)
		t.job = jobWith(h, maxMemory)
		_ = efficiency.Of(h, true) // else its priority alone keeps it from disturbing
		err = resume(h)
	}
	if err != nil {
		cmd.Process.Kill()
		t.wait()
		return nil, fmt.Errorf("let it run: %w", err)
	}
	return t, nil
}

// jobWith returns a new job with the process in it, or 0.
func jobWith(process windows.Handle, maxMemory int64) windows.Handle {
	job, err := windows.CreateJobObject(nil, nil)
	if err != nil {
		return 0
	}
	info := windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION{JobMemoryLimit: uintptr(4 * maxMemory)}
	info.BasicLimitInformation.LimitFlags = windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE |
		windows.JOB_OBJECT_LIMIT_JOB_MEMORY
	_, err = windows.SetInformationJobObject(job, windows.JobObjectExtendedLimitInformation,
		uintptr(unsafe.Pointer(&info)), uint32(unsafe.Sizeof(info)))
	if err == nil {
		err = windows.AssignProcessToJobObject(job, process)
	}
	if err != nil {
		windows.CloseHandle(job)
		return 0
	}
	return job
}

// resumeProcess lets a process that was started suspended run; the documented call needs a
// handle of its thread, which the standard library does not keep.
var resumeProcess = windows.NewLazySystemDLL("ntdll.dll").NewProc("NtResumeProcess")

func resume(process windows.Handle) error {
	if err := resumeProcess.Find(); err != nil {
		return err
	}
	if status, _, _ := resumeProcess.Call(uintptr(process)); status != 0 {
		return windows.NTStatus(status)
	}
	return nil
}

// wait waits until the program is gone, and ends what it left behind. It returns how the
// program ended, nil where it did so as it should.
func (t *tie) wait() (state, unable error) {
	state = t.cmd.Wait()
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.job != 0 {
		windows.CloseHandle(t.job)
		t.job = 0
	}
	return state, nil
}

// end ends the program; the job goes with it, see wait.
func (t *tie) end() { _ = t.cmd.Process.Kill() }

// resident returns the memory that the processes of the job hold together, in bytes, and how
// many they are; 0 when it is not known.
func (t *tie) resident(int64) (sum int64, processes int) {
	var list struct { // JOBOBJECT_BASIC_PROCESS_ID_LIST of winnt.h
		assigned, listed uint32
		pids             [256]uintptr
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.job == 0 {
		return resident(t.cmd.Process.Pid), 1
	}
	err := windows.QueryInformationJobObject(t.job, windows.JobObjectBasicProcessIdList, uintptr(unsafe.Pointer(&list)),
		uint32(unsafe.Sizeof(list)), nil)
	if err != nil && !errors.Is(err, windows.ERROR_MORE_DATA) || list.listed == 0 {
		return resident(t.cmd.Process.Pid), 1
	}
	for _, pid := range list.pids[:min(int(list.listed), len(list.pids))] {
		sum += resident(int(pid))
	}
	return sum, int(list.assigned)
}

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
