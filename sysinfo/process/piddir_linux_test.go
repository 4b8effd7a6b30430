package process

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/tree"
	"golang.org/x/sys/unix"
)

// TestStartOfAProcess: the kernel's account of when a program started is that of the clock.
func TestStartOfAProcess(t *testing.T) {
	r, why := openProcReader(tree.New(""), true)
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
	if p.Began.Before(before.Add(-tick)) || p.Began.After(after.Add(tick)) {
		t.Errorf("began at %s, started between %s and %s", p.Began, before, after)
	}
}

// Where few descriptors are left the sampler keeps none, gives up those that it had, and
// still knows who used the processor.
func TestTheSamplerLeavesDescriptors(t *testing.T) {
	r, why := openProcReader(tree.New(""), true)
	if why != "" {
		t.Fatal(why)
	}
	defer r.end()
	child := exec.Command("sleep", "60")
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer child.Wait()
	defer child.Process.Kill()
	me, ok := r.open(os.Getpid())
	if !ok || me.handle == nil {
		t.Fatal("with many left its own process has no descriptor")
	}
	r.scarce = func(*tree.File) bool { return true }
	other, ok := r.open(child.Process.Pid)
	if !ok || other.handle != nil || me.handle != nil || len(r.kept) != 0 {
		t.Errorf("opened %v; kept: %v, %v", ok, me.handle, other.handle)
	}
	for _, clocks := range []bool{true, false} {
		r.clocks = clocks
		if used, ok := r.used(me); !ok || used == 0 && clocks {
			t.Errorf("clocks %v: %d ns used, there %v", clocks, used, ok)
		}
		wrong := *me
		wrong.start++ // the number is another process's now
		if _, ok := r.used(&wrong); ok {
			t.Errorf("clocks %v: another process of that number was taken for it", clocks)
		}
	}
	if r.rename(me); me.name == "" {
		t.Error("it has no name")
	}
	r.close(me)
	r.close(other)
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
		if !holds(d, os.Getpid(), fits) {
			t.Errorf("raw %v: an open file was not found", raw)
		}
		if holds(d, os.Getpid(), func([]byte) bool { return false }) || holds(d, 1<<30, fits) {
			t.Errorf("raw %v: found what is not there", raw)
		}
	}
	f.Close()
	if d.raw = tree.OfProc(d.fd); !d.raw {
		t.Fatal("/proc is no proc file system")
	}
	if holds(d, os.Getpid(), fits) {
		t.Error("a closed file was found")
	}
	if n := testing.AllocsPerRun(20, func() { d.holds(os.Getpid(), 0, draws) }); n > 0 {
		t.Errorf("%v allocations", n)
	}
}

// holds looks through all files, as samples do piece by piece.
func holds(d *pidDir, pid int, fits func([]byte) bool) bool {
	for at := int64(0); ; {
		var found bool
		if found, at = d.holds(pid, at, fits); found || at == 0 {
			return found
		}
	}
}

// TestHoldsInPieces: of a hundred open files each call looks at a part, and the last one
// is found.
func TestHoldsInPieces(t *testing.T) {
	d, err := openPIDDir("/proc")
	if err != nil || !d.raw {
		t.Skip("the system has no /proc of its own: ", err)
	}
	defer unix.Close(d.fd)
	dir := t.TempDir()
	for range 100 {
		f, err := os.Create(filepath.Join(dir, "x"))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
	}
	seen, calls := 0, 0
	count := func([]byte) bool { seen++; return false }
	for at := int64(0); calls == 0 || at > 0; calls++ {
		before := seen
		_, at = d.holds(os.Getpid(), at, count)
		if seen-before > filesPerLook {
			t.Errorf("%d files in one look", seen-before)
		}
	}
	if seen < 100 || calls < 100/filesPerLook {
		t.Errorf("%d files in %d looks", seen, calls)
	}
}

// TestStoppedReaderGivesBackItsFolder: sampling that ends leaves no descriptor behind.
func TestStoppedReaderGivesBackItsFolder(t *testing.T) {
	r, why := openProcReader(tree.New(""), true)
	if why != "" {
		t.Skip("the system has no /proc of its own: ", why)
	}
	if list, err := r.dir.list(nil); err != nil || len(list) == 0 {
		t.Fatalf("%d processes, %v", len(list), err)
	}
	newProcessTable(r, func() float64 { return 0 }, 0).Close()
	if list, err := r.dir.list(nil); err == nil {
		t.Errorf("the folder is still open: %d processes", len(list))
	}
	if _, _, told := r.fresh(nil); told {
		t.Error("the file that tells of births is still open")
	}
}

// TestBirths: a process that starts is told by its number, as one that is new and only
// then; threads are not.
func TestBirths(t *testing.T) {
	r, why := openProcReader(tree.New(""), true)
	if why != "" || r.births == nil {
		t.Skip("the numbers of processes are not the kernel's here")
	}
	r.fresh(nil)
	child := exec.Command("sleep", "60")
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { child.Process.Kill(); child.Wait() }()
	told := 0
	for range 3 {
		list, above, ok := r.fresh(nil)
		if !ok {
			t.Skip("hundreds of processes start at a time here, or their numbers have come round")
		}
		for _, pid := range list {
			if pid == child.Process.Pid && pid > above {
				told++
			}
			if _, err := os.Stat(fmt.Sprintf("/proc/self/task/%d", pid)); err == nil && pid != os.Getpid() {
				t.Errorf("thread %d was told as a process", pid)
			}
		}
	}
	if told != 1 {
		t.Errorf("the child was told %d times", told)
	}
}

// TestOwnThreadIsNoBirth: the kernel answers for the number of the asking thread as if it
// were that of its process.
func TestOwnThreadIsNoBirth(t *testing.T) {
	path := filepath.Join(t.TempDir(), "loadavg")
	ask := func(last int) []int {
		machinetest.Write(t, path, fmt.Appendf(nil, "0 0 0 1/9 %d\n", last))
		f, err := tree.Open(path)
		if err != nil {
			t.Error(err)
			return nil
		}
		defer f.Close()
		list, _, _ := (&births{f: f, self: os.Getpid(), last: last - 1}).fresh(nil)
		return list
	}
	ended := make(chan struct{})
	var look func()
	look = func() {
		runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine
		if unix.Gettid() == os.Getpid() {
			go look() // on another thread, since this one is taken
			<-ended
			return
		}
		defer close(ended)
		if thread := unix.Gettid(); slices.Contains(ask(thread), thread) {
			t.Errorf("thread %d of process %d was told as a process", thread, os.Getpid())
		}
	}
	go look()
	<-ended
	if !slices.Contains(ask(os.Getpid()), os.Getpid()) {
		t.Error("our own process was not told")
	}
}

// TestBirthsOfTooMany: where numbers have come round, or more were given out than are
// worth asking for, the list must be read.
func TestBirthsOfTooMany(t *testing.T) {
	path := filepath.Join(t.TempDir(), "loadavg")
	machinetest.Write(t, path, nil)
	f, err := tree.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	b := &births{f: f}
	for i, c := range []struct {
		text string
		told bool
	}{
		{"0.1 0.2 0.3 1/99 1000\n", false}, {"0 0 0 1/99 1000\n", true}, {"0 0 0 1/99 1010\n", true},
		{"0 0 0 1/99 4000\n", false}, {"0 0 0 1/99 4001\n", true}, {"0 0 0 1/99 300\n", false}, {"0 0 0 1/99 301\n", true},
		{"0 0 0 1/99 0\n", false}, {"0 0 0 1/99 301\n", false}, {"nonsense", false}, {"", false}, {"0 0 0 1/99 400\n", false}, {"0 0 0 1/99 400\n", true},
	} {
		machinetest.Write(t, path, []byte(c.text))
		if _, _, told := b.fresh(nil); told != c.told || b.complete() != told {
			t.Errorf("look %d, %q: told %v", i+1, c.text, told)
		}
	}
}

// TestNumberGivenOutAgain: a process ends and a new one gets its number. The old one's
// time stays its own, and the new one is followed under its own name.
func TestNumberGivenOutAgain(t *testing.T) {
	begin := time.Unix(1000, 0)
	c := &renumbered{comers: comers{runs: map[int][2]time.Time{1: {begin.Add(-time.Hour), begin.Add(30 * time.Second)}}}, name: "old"}
	table := newProcessTable(c, func() float64 { return 1 }, 0)
	for s := range 60 {
		c.now = begin.Add(time.Duration(s) * time.Second)
		if s == 31 {
			c.runs[1] = [2]time.Time{c.now, c.now.Add(time.Hour)}
			c.name, c.told = "new", false
		}
		table.Look(c.now)
	}
	for _, u := range table.Between(begin.Add(40*time.Second), begin.Add(50*time.Second)) {
		if u.Name != "new" || u.NS < 9.9e9 || u.NS > 10.1e9 {
			t.Errorf("%s used %.1f s", u.Name, u.NS/1e9)
		}
	}
}

// renumbered tells that number 1 was given out when told is false.
type renumbered struct {
	comers
	name string
	told bool
}

func (c *renumbered) open(pid int) (*Process, bool) {
	p, ok := c.comers.open(pid)
	p.name = c.name
	return p, ok
}

// used knows another process by its descriptor, which is looked at where in doubt.
func (c *renumbered) used(p *Process) (uint64, bool) {
	if p.confirmed.IsZero() && p.name != c.name {
		return 0, false
	}
	p.confirmed = p.at
	ns, _ := c.comers.used(p)
	return ns, true
}

func (c *renumbered) fresh(buf []int) ([]int, int, bool) {
	if c.told {
		return buf, 1, true
	}
	c.told = true
	return append(buf, 1), 0, true
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
	r, why := openProcReader(tree.New(""), true)
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
	const ticks = 3 * (1e9 / tree.UserHZ)
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
	c.PID, c.used = os.Getpid(), 0
	if _, ok := r.used(c); ok {
		t.Error("the time of another process with the same number was taken")
	}
}
