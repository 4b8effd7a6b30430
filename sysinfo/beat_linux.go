package sysinfo

import (
	"context"
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// fdBeat is a beat by a timer of the kernel. For each of its own timers the Go runtime
// wakes a second thread, its monitor, which then looks several times whether the first is
// done; a descriptor that becomes readable wakes one thread once. Raw system calls, which
// never block here, leave the monitor asleep.
type fdBeat struct {
	f    *os.File
	conn syscall.RawConn
	take func(fd uintptr) bool
	n    [8]byte // how often the timer went off
	gone bool    // the last wait ended for another reason
	stop func() bool
}

// newBeat returns the beat of a live machine, whose waits end with ctx.
func newBeat(ctx context.Context) beat {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return newTimerBeat()
	}
	b := &fdBeat{f: os.NewFile(uintptr(fd), "timer")}
	if b.conn, err = b.f.SyscallConn(); err != nil || b.f.SetReadDeadline(time.Time{}) != nil {
		b.f.Close() // no timer that can be waited for together with other files
		return newTimerBeat()
	}
	b.take = func(fd uintptr) bool {
		_, _, e := unix.RawSyscall(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&b.n)), uintptr(len(b.n)))
		b.gone = e != 0
		return e != unix.EAGAIN && e != unix.EINTR
	}
	b.stop = context.AfterFunc(ctx, func() { b.f.SetReadDeadline(time.Unix(1, 0)) })
	return b
}

func (b *fdBeat) set(after time.Duration) {
	when := unix.ItimerSpec{Value: unix.NsecToTimespec(int64(max(after, 1)))} // 0 would stop it
	b.conn.Control(func(fd uintptr) {
		unix.RawSyscall6(unix.SYS_TIMERFD_SETTIME, fd, 0, uintptr(unsafe.Pointer(&when)), 0, 0, 0)
	})
}

func (b *fdBeat) wait(ctx context.Context) bool {
	for ctx.Err() == nil {
		if err := b.conn.Read(b.take); err != nil {
			return false
		}
		if !b.gone {
			return ctx.Err() == nil
		}
	}
	return false
}

func (b *fdBeat) close() {
	b.stop()
	b.f.Close()
}
