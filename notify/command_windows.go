package notify

import (
	"os/exec"
	"syscall"
)

// apart keeps the program from opening a console window over a game.
func apart(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{HideWindow: true} }
