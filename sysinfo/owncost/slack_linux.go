package owncost

import (
	"fmt"
	"os"
	"runtime"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// startedAgain marks the environment of a program that SlackenTimers has started again, so
// that a system which forgets the slack does not have it started for ever.
const startedAgain = "CAPD_STARTED_AGAIN"

// SlackenTimers lets the timers of this program end up to slack late, so that the kernel
// serves several with one wake-up; with the usual 50 us each wakes the processor alone.
// The slack belongs to a thread, and threads that it starts inherit it (prctl(2),
// PR_SET_TIMERSLACK). Go's runtime starts its own before any of our code runs: where the
// slack is less, the program is executed once more, under its number and with its
// arguments and environment, and SlackenTimers does not return. On an error everything
// stays as it was.
func SlackenTimers(slack time.Duration) error {
	again := os.Getenv(startedAgain) != ""
	if err := os.Unsetenv(startedAgain); err != nil { // it is not for our children
		return fmt.Errorf("forget the start before: %w", err)
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	before, err := unix.PrctlRetInt(unix.PR_GET_TIMERSLACK, 0, 0, 0, 0)
	if err != nil {
		return fmt.Errorf("ask for the slack of timers: %w", err)
	}
	if again || time.Duration(before) >= slack {
		return nil
	}
	program, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find the own program: %w", err)
	}
	if err = unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(slack), 0, 0, 0); err != nil {
		return fmt.Errorf("set the slack of timers: %w", err)
	}
	err = syscall.Exec(program, os.Args, append(os.Environ(), startedAgain+"=1"))
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(before), 0, 0, 0) // as it was
	return fmt.Errorf("start %s again: %w", program, err)
}
