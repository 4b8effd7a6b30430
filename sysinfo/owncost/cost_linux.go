package owncost

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
	"unsafe"

	"capd.example/sysinfo/tree"
	"golang.org/x/sys/unix"
)

func ownCost(c *Cost) {
	var self, children unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &self) == nil {
		c.Processor = time.Duration(self.Utime.Nano() + self.Stime.Nano())
		c.WakeUps, c.Preempted = uint64(self.Nvcsw), uint64(self.Nivcsw)
		c.ResidentMost = uint64(self.Maxrss) * 1024
	}
	if unix.Getrusage(unix.RUSAGE_CHILDREN, &children) == nil {
		c.Children = time.Duration(children.Utime.Nano() + children.Stime.Nano())
	}
	if status, err := os.ReadFile("/proc/self/status"); err == nil {
		kB, _ := tree.WordValue(status, []byte("VmRSS:"))
		c.Resident = kB * 1024
	}
	if io, err := os.ReadFile("/proc/self/io"); err == nil {
		io = bytes.TrimSpace(io)
		c.Reads, _ = tree.WordValue(io, []byte("syscr:"))
		c.Read, _ = tree.WordValue(io, []byte("rchar:"))
		c.Written, _ = tree.WordValue(io, []byte("wchar:"))
	}
}

// threadTime returns the processor time of the running thread.
func threadTime() (time.Duration, bool) {
	var t unix.Timespec
	_, _, e := unix.RawSyscall(unix.SYS_CLOCK_GETTIME, unix.CLOCK_THREAD_CPUTIME_ID, uintptr(unsafe.Pointer(&t)), 0)
	return time.Duration(t.Nano()), e == 0
}

// releaseProgram gives back the pages of the program's own file: starting touches most of
// it once, and what goes on being used comes back from the system's cache without a read
// from disk. Only what was never written to is dropped; libraries are let be, since their
// loader has changed pages of them.
func releaseProgram() {
	self, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return
	}
	maps, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		return
	}
	for _, m := range unwrittenMappings(string(maps), self) {
		unix.Syscall(unix.SYS_MADVISE, uintptr(m[0]), uintptr(m[1]-m[0]), unix.MADV_DONTNEED)
	}
}

// unwrittenMappings returns start and end of those mappings of a file in the text of
// smaps (kernel: Documentation/filesystems/proc.rst) that cannot be written to and hold
// no page of their own, neither in memory nor swapped out. The line about swap comes
// behind the one about anonymous pages; a kernel that has none of them is not trusted.
func unwrittenMappings(smaps, file string) (list [][2]uint64) {
	const none = "0 kB"
	var m [2]uint64
	ours, unwritten := false, false
	for l := range strings.Lines(smaps) {
		name, value, _ := strings.Cut(strings.TrimSpace(l), " ")
		value = strings.TrimSpace(value)
		switch {
		case name == "Anonymous:":
			unwritten = value == none
		case name == "Swap:":
			if ours && unwritten && value == none {
				list = append(list, m)
			}
			ours = false
		case !strings.HasSuffix(name, ":"): // the heading of a mapping
			m, ours = readOnlyMapping(strings.Fields(l), file)
			unwritten = false
		}
	}
	return list
}

// readOnlyMapping returns start and end of the mapping with this heading; false where it
// is of another file, shared, or can be written to.
func readOnlyMapping(words []string, file string) (m [2]uint64, ok bool) {
	if len(words) != 6 || words[5] != file || words[1] != "r--p" && words[1] != "r-xp" {
		return m, false
	}
	a, z, _ := strings.Cut(words[0], "-")
	from, err1 := strconv.ParseUint(a, 16, 64)
	to, err2 := strconv.ParseUint(z, 16, 64)
	return [2]uint64{from, to}, err1 == nil && err2 == nil && from < to
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
