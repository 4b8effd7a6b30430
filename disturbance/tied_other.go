//go:build !linux && !windows

package disturbance

import "os/exec"

// startTied starts cmd; nothing ends it where this program is killed.
func startTied(cmd *exec.Cmd) (let func(), err error) { return func() {}, cmd.Start() }
