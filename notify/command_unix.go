//go:build !windows

package notify

import (
	"os/exec"
	"syscall"
)

// apart puts the program into a group of its own, so that a late one is ended with all
// that it started.
func apart(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
}
