package disturbance

import (
	"fmt"
	"os/exec"
	"unsafe"

	"golang.org/x/sys/windows"
)

// startTied starts cmd in a job object, so that the system ends it, and what it starts, where
// this program is killed: held still, it would stay for ever. A job of this kind ends what is
// in it when its last handle is closed (Microsoft, "JOBOBJECT_BASIC_LIMIT_INFORMATION",
// JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE).
func startTied(cmd *exec.Cmd) (let func(), err error) {
	job, err := windows.CreateJobObject(nil, nil)
	if err != nil {
		return nil, fmt.Errorf("make a job object: %w", err)
	}
	let = func() { windows.CloseHandle(job) }
	var info windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION
	info.BasicLimitInformation.LimitFlags = windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE
	if _, err = windows.SetInformationJobObject(job, windows.JobObjectExtendedLimitInformation,
		uintptr(unsafe.Pointer(&info)), uint32(unsafe.Sizeof(info))); err == nil {
		err = cmd.Start()
	}
	if err != nil {
		let()
		return nil, err
	}
	// What it starts later is in the job too; it starts nothing so early.
	if err = assign(job, cmd.Process.Pid); err != nil {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		let()
		return nil, fmt.Errorf("put the agent into a job object: %w", err)
	}
	return let, nil
}

func assign(job windows.Handle, pid int) error {
	h, err := windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE, false, uint32(pid))
	if err != nil {
		return err
	}
	defer windows.CloseHandle(h)
	return windows.AssignProcessToJobObject(job, h)
}
