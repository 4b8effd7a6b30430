//go:build unix

package main

import (
	"os"
	"syscall"
	"time"
)

// pause stops a process for a while, as a system under memory pressure does.
func pause(p *os.Process, d time.Duration) error {
	if err := p.Signal(syscall.SIGSTOP); err != nil {
		return err
	}
	time.Sleep(d)
	return p.Signal(syscall.SIGCONT)
}
