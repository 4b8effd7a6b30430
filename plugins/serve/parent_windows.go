package serve

import (
	"os"

	"golang.org/x/sys/windows"
)

// dieWithParent ends this process when its parent has gone. The agent also holds it in a
// job object, which the system closes with the agent.
func dieWithParent() {
	h, err := windows.OpenProcess(windows.SYNCHRONIZE, false, uint32(os.Getppid()))
	if err != nil {
		return // the job object alone must do
	}
	go func() {
		if _, err := windows.WaitForSingleObject(h, windows.INFINITE); err == nil {
			os.Exit(3)
		}
	}()
}
