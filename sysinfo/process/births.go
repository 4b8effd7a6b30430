package process

import (
	"bytes"
	"os"

	"capd.example/sysinfo/tree"
)

// births tells which processes have started without a look through /proc, by the number
// that was given out last (/proc/loadavg, last word; kernel:
// Documentation/filesystems/proc.rst): all numbers since the last one are asked for.
type births struct {
	f    *tree.File
	buf  [64]byte
	last int // 0 for not known
	told bool
	self int // our own process
}

const (
	// birthsMost is how many numbers are asked for at once: a call each, of a third of a
	// microsecond.
	birthsMost = 256
	// birthsAgain is how many older ones are asked for again: a number is given out a
	// moment before somebody has it.
	birthsAgain = 32
)

// openBirths returns nil where the numbers are not those of the kernel.
func openBirths(t tree.Tree) *births {
	f, err := tree.Open(t.Path("/proc/loadavg"))
	if err != nil {
		return nil
	}
	if !f.Kernels() { // a container's own idea of it
		f.Close()
		return nil
	}
	return &births{f: f, self: os.Getpid()}
}

// complete reports whether all numbers given out are told.
func (b *births) complete() bool { return b != nil && b.told }

// fresh is the method of processReader.
func (b *births) fresh(to []int) (list []int, above int, told bool) {
	if b == nil {
		return to, 0, false
	}
	n, err := b.f.Read(b.buf[:])
	till, ok := lastNumber(b.buf[:max(n, 0)])
	if err != nil || !ok {
		till = 0
	}
	above, b.last = b.last, till
	// Numbers that have come round are less than those before.
	b.told = above > 0 && till >= above && till-above <= birthsMost
	if !b.told {
		return to, 0, false
	}
	for pid := max(above-birthsAgain, 0) + 1; pid <= till; pid++ {
		// The number of the thread that asks is answered as if it were its process's.
		if _, ok := processTime(pid); ok && (pid != threadID() || pid == b.self) {
			to = append(to, pid)
		}
	}
	return to, above, true
}

// lastNumber reads the last word of a line, which must be a number above 0.
func lastNumber(b []byte) (int, bool) {
	b = bytes.TrimRight(b, "\n ")
	n, ok := tree.Unsigned(b[bytes.LastIndexByte(b, ' ')+1:])
	return int(n), ok && n > 0 && n < 1<<30
}
