package host

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// tie holds a validator by its keeper (keeper_linux.go), the process between it and this one.
type tie struct {
	cmd    *exec.Cmd
	report *os.File
	gone   context.Context // ends when the keeper was waited for
	finish context.CancelFunc

	known []int // what the keeper held at the latest look, for resident alone
	looks int
}

// startTied starts the program of cmd under a keeper. The kernel tells the keeper when the
// thread that calls this ends.
func startTied(cmd *exec.Cmd, maxMemory int64) (*tie, error) {
	if cmd.Err != nil {
		return nil, cmd.Err
	}
	report, reportW, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer reportW.Close()
	cmd.Args = append([]string{keeperName, strconv.FormatInt(maxMemory, 10), cmd.Path}, cmd.Args...)
	cmd.Path = "/proc/self/exe" // this program, also where an update replaced its file
	cmd.ExtraFiles = []*os.File{reportW}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGTERM}
	if err := cmd.Start(); err != nil {
		report.Close()
		return nil, err
	}
	t := &tie{cmd: cmd, report: report}
	t.gone, t.finish = context.WithCancel(context.Background())
	return t, nil
}

// wait waits until the program and all that it started are gone. It returns how the program
// ended, nil where it did so as it should, and why it could not be started at all.
func (t *tie) wait() (state, unable error) {
	defer t.finish()
	defer t.report.Close()
	state = t.cmd.Wait()
	said, _ := io.ReadAll(t.report)
	if why, ok := strings.CutPrefix(string(said), unableTo); ok {
		return nil, errors.New(why)
	}
	n, err := strconv.ParseUint(string(said), 10, 32)
	if err != nil {
		return state, nil // the keeper itself was killed
	}
	switch s := syscall.WaitStatus(n); {
	case s.Signaled():
		return fmt.Errorf("signal: %v", s.Signal()), nil
	case s.ExitStatus() != 0:
		return fmt.Errorf("exit status %d", s.ExitStatus()), nil
	}
	return nil, nil
}

// end ends the program and all that it started. The keeper sees to it that nothing escapes;
// what is seen from here goes at once, and a keeper that was stopped or hangs goes too.
func (t *tie) end() {
	_ = t.cmd.Process.Signal(syscall.SIGTERM)
	_ = t.cmd.Process.Signal(syscall.SIGCONT)
	for _, pid := range descendants(t.cmd.Process.Pid) {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
	hard := time.AfterFunc(3*time.Second, func() { _ = t.cmd.Process.Kill() })
	context.AfterFunc(t.gone, func() { hard.Stop() })
}

// resident returns the memory that the program and all that it started hold together, in
// bytes, and how many processes that are; 0 when it is not known. Looking for processes
// costs more than asking those that are known, so it is done at every fifth call. What
// processes share is counted once, where they seem to hold more than most.
func (t *tie) resident(most int64) (sum int64, processes int) {
	if t.looks++; t.looks%5 == 1 {
		t.known = descendants(t.cmd.Process.Pid)
	}
	for _, pid := range t.known {
		sum += resident(pid)
	}
	if sum <= most {
		return sum, len(t.known)
	}
	t.known, sum = descendants(t.cmd.Process.Pid), 0
	if len(t.known) == 1 {
		return resident(t.known[0]), 1
	}
	for _, pid := range t.known {
		sum += share(pid)
	}
	return sum, len(t.known)
}

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

// share returns the process's proportional share of the memory it holds, in bytes
// (proc(5), /proc/pid/smaps_rollup, Pss), or all that it holds where that is not told.
func share(pid int) int64 {
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/smaps_rollup")
	if err != nil {
		return resident(pid)
	}
	for line := range bytes.Lines(text) {
		if f := bytes.Fields(line); len(f) >= 2 && string(f[0]) == "Pss:" {
			kib, _ := strconv.ParseInt(string(f[1]), 10, 64)
			return kib << 10
		}
	}
	return resident(pid)
}
