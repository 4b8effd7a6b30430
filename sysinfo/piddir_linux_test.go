package sysinfo

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// TestStartOfAProcess: the kernel's account of when a program started is that of the clock.
func TestStartOfAProcess(t *testing.T) {
	r, why := openProcReader(tree{"/"}, true)
	if why != "" {
		t.Fatal(why)
	}
	child := exec.Command("sleep", "60")
	before := time.Now()
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	after := time.Now()
	defer child.Wait()
	defer child.Process.Kill()
	p, ok := r.open(child.Process.Pid)
	if !ok {
		t.Fatal("the child is not shown")
	}
	defer r.close(p)
	const tick = 20 * time.Millisecond // two ticks of the kernel's
	if p.began.Before(before.Add(-tick)) || p.began.After(after.Add(tick)) {
		t.Errorf("began at %s, started between %s and %s", p.began, before, after)
	}
}

// TestHolds: a process's open files are found by either way of looking, without
// allocating by the one that runs while a pass does.
func TestHolds(t *testing.T) {
	d, err := openPIDDir("/proc")
	if err != nil {
		t.Skip("the system has no /proc: ", err)
	}
	defer unix.Close(d.fd)
	name := filepath.Join(t.TempDir(), "held")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	begin := name[:min(len(name), len(d.link))] // no more is read of a long name
	fits := func(file []byte) bool { return strings.HasPrefix(string(file), begin) }
	for _, raw := range []bool{d.raw, false} {
		d.raw = raw
		if !d.holds(os.Getpid(), fits) {
			t.Errorf("raw %v: an open file was not found", raw)
		}
		if d.holds(os.Getpid(), func([]byte) bool { return false }) || d.holds(1<<30, fits) {
			t.Errorf("raw %v: found what is not there", raw)
		}
	}
	f.Close()
	if d.raw = onSystem(d.fd, unix.PROC_SUPER_MAGIC); !d.raw {
		t.Fatal("/proc is no proc file system")
	}
	if d.holds(os.Getpid(), fits) {
		t.Error("a closed file was found")
	}
	if n := testing.AllocsPerRun(20, func() { d.holds(os.Getpid(), draws) }); n > 0 {
		t.Errorf("%v allocations", n)
	}
}

// FuzzEntries: whatever a listing holds, names are never empty and lie inside it.
func FuzzEntries(f *testing.F) {
	f.Add([]byte("\x01\x00\x00\x00\x00\x00\x00\x00\x02\x00\x00\x00\x00\x00\x00\x00\x18\x00\x04123\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		total := 0
		for name, rest := nextEntry(b); name != nil; name, rest = nextEntry(rest) {
			total += 19 + len(name)
			if len(name) == 0 || strings.IndexByte(string(name), 0) < 0 {
				t.Fatalf("name %q", name)
			}
		}
		if total > len(b) {
			t.Fatalf("%d bytes of entries in %d", total, len(b))
		}
	})
}

// TestProcessTime: the clock of a process says what its file in /proc says, to the file's
// ticks, and nothing of a process that is not there.
func TestProcessTime(t *testing.T) {
	r, why := openProcReader(tree{"/"}, true)
	if why != "" {
		t.Fatal(why)
	}
	if !r.clocks {
		t.Skip("/proc counts processes otherwise than the kernel does here")
	}
	for start := time.Now(); time.Since(start) < 50*time.Millisecond; {
	}
	p, ok := r.open(os.Getpid())
	if !ok {
		t.Fatal("this process is not shown")
	}
	defer r.close(p)
	const ticks = 3 * (1e9 / userHz)
	ns, ok := processTime(os.Getpid())
	if !ok || ns < p.used || ns > p.used+ticks {
		t.Errorf("%d ns, the file says %d", ns, p.used)
	}
	if _, ok := processTime(1 << 22); ok {
		t.Error("a process that cannot be has a time")
	}
	child := exec.Command("sleep", "60")
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	c, ok := r.open(child.Process.Pid)
	if !ok {
		t.Fatal("the child is not shown")
	}
	defer r.close(c)
	if _, ok := r.used(c); !ok {
		t.Error("the child has no time")
	}
	child.Process.Kill()
	child.Wait()
	if _, ok := r.used(c); ok {
		t.Error("a child that has ended has a time")
	}
	// The number belongs to another process now: ours stands in for it.
	c.pid, c.used = os.Getpid(), 0
	if _, ok := r.used(c); ok {
		t.Error("the time of another process with the same number was taken")
	}
}
