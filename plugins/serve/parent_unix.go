//go:build unix

package serve

import (
	"os"
	"time"
)

// dieWithParent ends this process when its parent has gone. The agent asks the kernel
// for the same, which Linux alone grants; this holds where it does not.
func dieWithParent() {
	parent := os.Getppid()
	go func() {
		for range time.Tick(500 * time.Millisecond) {
			if os.Getppid() != parent {
				os.Exit(3)
			}
		}
	}()
}
