package main

import (
	"os/exec"
	"syscall"
)

// endWithUs has the kernel end cmd where this program is killed: held still, it would stay
// for ever.
func endWithUs(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
}
