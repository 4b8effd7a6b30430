package autostart

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"time"
)

// pauses are how long [Keep] waits before it starts a program again that died: longer each
// time, and from the beginning after one that ran for long.
const (
	firstPause = time.Second
	mostPause  = time.Minute
	longRun    = 10 * time.Minute
)

// Keep runs a program and starts it again when it dies, until ctx ends, the program ends by
// itself with status 0, or with one of the final ones. It does what systemd does elsewhere.
func Keep(ctx context.Context, command []string, final ...int) error {
	wait := firstPause
	for {
		c := exec.Command(command[0], command[1:]...)
		c.SysProcAttr = unseen()
		began := time.Now()
		if err := c.Start(); err != nil {
			return fmt.Errorf("start %s: %w", command[0], err)
		}
		ended := make(chan error, 1)
		go func() { ended <- c.Wait() }()
		var err error
		select {
		case err = <-ended:
		case <-ctx.Done():
			quit(c)
			<-ended
			return nil
		}
		if err == nil {
			return nil
		}
		for _, status := range final {
			if c.ProcessState.ExitCode() == status {
				return fmt.Errorf("%s ended: %w", command[0], err)
			}
		}
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			return err
		}
		if time.Since(began) > longRun {
			wait = firstPause
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		wait = min(2*wait, mostPause)
	}
}

// begin starts a program that outlives this one.
func begin(command []string) error {
	c := exec.Command(command[0], command[1:]...)
	c.SysProcAttr = apart()
	if err := c.Start(); err != nil {
		return err
	}
	return c.Process.Release()
}
