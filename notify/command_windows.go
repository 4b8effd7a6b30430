package notify

import (
	"os/exec"
	"syscall"

	"golang.org/x/sys/windows"
)

// apart keeps the program from opening a console window over a game, also where the agent has no
// console to share.
func apart(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{HideWindow: true, CreationFlags: windows.CREATE_NO_WINDOW}
}
