package sysinfo

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

func ownCost(c *Cost) {
	var self, children unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &self) == nil {
		c.Processor = time.Duration(self.Utime.Nano() + self.Stime.Nano())
		c.WakeUps, c.Preempted = uint64(self.Nvcsw), uint64(self.Nivcsw)
		c.ResidentMost = uint64(self.Maxrss) * kib
	}
	if unix.Getrusage(unix.RUSAGE_CHILDREN, &children) == nil {
		c.Children = time.Duration(children.Utime.Nano() + children.Stime.Nano())
	}
	if status, err := os.ReadFile("/proc/self/status"); err == nil {
		kB, _ := wordValue(status, []byte("VmRSS:"))
		c.Resident = kB * kib
	}
	if io, err := os.ReadFile("/proc/self/io"); err == nil {
		io = bytes.TrimSpace(io)
		c.Reads, _ = wordValue(io, []byte("syscr:"))
		c.Read, _ = wordValue(io, []byte("rchar:"))
		c.Written, _ = wordValue(io, []byte("wchar:"))
	}
}

// threadTime returns the processor time of the running thread.
func threadTime() (time.Duration, bool) {
	var t unix.Timespec
	_, _, e := unix.RawSyscall(unix.SYS_CLOCK_GETTIME, unix.CLOCK_THREAD_CPUTIME_ID, uintptr(unsafe.Pointer(&t)), 0)
	return time.Duration(t.Nano()), e == 0
}

// releaseProgram gives back the pages of the program itself and of the libraries it has
// loaded: starting touches most of them once, and what goes on being used comes back from
// the system's cache without a read from disk. Only what was never written to is dropped.
func releaseProgram() {
	maps, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		return
	}
	for _, m := range unwrittenMappings(string(maps)) {
		unix.Syscall(unix.SYS_MADVISE, uintptr(m[0]), uintptr(m[1]-m[0]), unix.MADV_DONTNEED)
	}
}

// unwrittenMappings returns start and end of those mappings of files, devices apart, in
// the text of smaps (kernel: Documentation/filesystems/proc.rst) that cannot be written to and hold
// no page of their own.
func unwrittenMappings(smaps string) (list [][2]uint64) {
	var m [2]uint64
	ours := false
	for l := range strings.Lines(smaps) {
		if anonymous, ok := strings.CutPrefix(l, "Anonymous:"); ok {
			if ours && strings.TrimSpace(anonymous) == "0 kB" {
				list = append(list, m)
			}
			ours = false
			continue
		}
		words := strings.Fields(l)
		if len(words) < 6 || !strings.HasPrefix(words[1], "r") {
			continue // not the heading of a mapping with a file
		}
		a, z, _ := strings.Cut(words[0], "-")
		from, err1 := strconv.ParseUint(a, 16, 64)
		to, err2 := strconv.ParseUint(z, 16, 64)
		m = [2]uint64{from, to}
		ours = err1 == nil && err2 == nil && from < to && words[1][1] == '-' && strings.HasSuffix(words[1], "p") && len(words) == 6 &&
			strings.HasPrefix(words[5], "/") && !strings.HasPrefix(words[5], "/dev/")
	}
	return list
}

// LowerPriority makes this process give way to others. Linux knows the priority of a
// thread only: all threads are set, and those that start later inherit. A value of 5 to
// 10 keeps samples on time; at 19 they come many milliseconds late on a busy machine.
func LowerPriority(nice int) error {
	tasks, err := os.ReadDir("/proc/self/task")
	if err != nil {
		return fmt.Errorf("list own threads: %w", err)
	}
	for _, t := range tasks {
		id, err := strconv.Atoi(t.Name())
		if err != nil {
			continue
		}
		if err := unix.Setpriority(unix.PRIO_PROCESS, id, nice); err != nil && err != unix.ESRCH {
			return fmt.Errorf("lower the priority to %d: %w", nice, err)
		}
	}
	return nil
}
