package disturbance

import (
	"os/exec"
	"syscall"
)

// startTied starts cmd so that the kernel ends it where this program is killed: held still,
// it would stay for ever.
func startTied(cmd *exec.Cmd) (let func(), err error) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	return func() {}, cmd.Start()
}
