package host

import (
	"bytes"
	"os"
	"os/exec"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// setAttributes puts the process into a group of its own and has the kernel kill it when
// the thread that started it ends.
func setAttributes(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}

// tie is what binds a process beyond its attributes: nothing on Linux.
type tie struct{}

func (tie) release() {}

// bind lowers the priority of the process and limits its data to 2 GiB beyond the
// memory that it may hold, as a stop for what grows faster than the watch looks; runtimes
// map more than they hold. Both are
// best-effort: a process that ended already cannot be bound.
func bind(p *os.Process, maxMemory int64) tie {
	_ = unix.Setpriority(unix.PRIO_PGRP, p.Pid, 19)
	most := uint64(maxMemory) + 2<<30
	limit := unix.Rlimit{Cur: most, Max: most}
	_ = unix.Prlimit(p.Pid, unix.RLIMIT_DATA, &limit, nil)
	none := unix.Rlimit{}
	_ = unix.Prlimit(p.Pid, unix.RLIMIT_CORE, &none, nil)
	return tie{}
}

func endGroup(p *os.Process) { _ = syscall.Kill(-p.Pid, syscall.SIGKILL) }

// resident returns the memory that the process holds in bytes, 0 when it is not known
// (proc(5), /proc/pid/statm, second field, pages).
func resident(pid int) int64 {
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/statm")
	if err != nil {
		return 0
	}
	fields := bytes.Fields(text)
	if len(fields) < 2 {
		return 0
	}
	pages, _ := strconv.ParseInt(string(fields[1]), 10, 64)
	return pages * int64(os.Getpagesize())
}
