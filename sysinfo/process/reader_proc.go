package process

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/tree"
)

// procReader follows processes below /proc. Each keeps its descriptor: a number that is
// used again for another process then fails instead of lying. Where the agent comes near
// its limit of descriptors, all are given up and opened when they are needed: logs, store
// and validators go first.
type procReader struct {
	t      tree.Tree
	dir    *pidDir
	buf    [512]byte
	live   bool
	clocks bool // the numbers in /proc are those that the kernel knows processes by here
	births *births
	kept   []*Process            // those with a descriptor
	scarce func(*tree.File) bool // few descriptors are left
}

func openProcReader(t tree.Tree, live bool) (*procReader, record.Unknown) {
	dir, err := openPIDDir(t.Path("/proc"))
	if err != nil {
		return nil, tree.Reason(err)
	}
	self, err := os.Readlink(t.Path("/proc/self"))
	r := &procReader{t: t, dir: dir, live: live, clocks: live && err == nil && self == strconv.Itoa(os.Getpid()),
		scarce: (*tree.File).Scarce}
	if r.clocks {
		r.births = openBirths(t)
	}
	return r, ""
}

func (r *procReader) whole() bool                        { return false }
func (r *procReader) fresh(buf []int) ([]int, int, bool) { return r.births.fresh(buf) }
func (r *procReader) pids(buf []int) ([]int, error)      { return r.dir.list(buf) }

func (r *procReader) open(pid int) (*Process, bool) {
	f, err := r.dir.stat(pid)
	if err != nil {
		if tree.NoDescriptor(err) {
			r.giveUp()
		}
		return nil, false
	}
	n, err := f.Read(r.buf[:])
	name, parent, ticks, ok := parseStat(r.buf[:n])
	if err != nil || !ok {
		f.Close()
		return nil, false
	}
	p := &Process{PID: pid, parent: parent, name: string(name), Began: r.began(r.buf[:n]),
		used: ticks * (1e9 / tree.UserHZ)}
	p.start, _ = startTicks(r.buf[:n])
	r.keep(p, f)
	return p, true
}

// keep keeps the descriptor of a process unless few are left.
func (r *procReader) keep(p *Process, f *tree.File) {
	if !r.scarce(f) {
		p.handle = f
		r.kept = append(r.kept, p)
		return
	}
	f.Close()
	r.giveUp()
}

func (r *procReader) giveUp() {
	for _, k := range r.kept {
		k.handle.Close()
		k.handle = nil
	}
	r.kept = nil
}

// stat reads the file of a process into the buffer; ok is false when it has ended, known
// when it could not be asked for want of a descriptor.
func (r *procReader) stat(p *Process) (n int, ok, known bool) {
	if p.handle != nil {
		n, err := p.handle.Read(r.buf[:])
		return n, err == nil, true
	}
	f, err := r.dir.stat(p.PID)
	if err != nil {
		return 0, false, !tree.NoDescriptor(err)
	}
	defer f.Close()
	n, err = f.Read(r.buf[:])
	start, is := startTicks(r.buf[:n])
	return n, err == nil && is && start == p.start, true
}

// began returns when a process started; the zero time where that is not known, as for a
// recorded machine, whose clock stands still.
func (r *procReader) began(stat []byte) time.Time {
	up, known := sinceBoot()
	start, ok := startTicks(stat)
	if !r.live || !known || !ok {
		return time.Time{}
	}
	return time.Now().Add(time.Duration(start)*(time.Second/tree.UserHZ) - up)
}

// used asks the process's own clock. Numbers come round again after tens of thousands of
// processes: where it is not told which were given out, the kept descriptor confirms now
// and then that the number still is that process.
func (r *procReader) used(p *Process) (uint64, bool) {
	if r.clocks {
		ns, ok := processTime(p.PID)
		if !ok {
			return 0, false
		}
		sure := !p.confirmed.IsZero() && (r.births.complete() || p.at.Sub(p.confirmed) < confirmAfter)
		if ns == p.used || sure {
			return ns, true
		}
		_, is, known := r.stat(p)
		if !known {
			return ns, true // it stays in doubt
		}
		p.confirmed = p.at
		return ns, is
	}
	n, is, known := r.stat(p)
	if !is {
		return p.used, !known
	}
	_, _, ticks, ok := parseStat(r.buf[:n])
	return ticks * (1e9 / tree.UserHZ), ok
}

func (r *procReader) close(p *Process) {
	p.handle.Close()
	if i := slices.Index(r.kept, p); i >= 0 {
		r.kept = slices.Delete(r.kept, i, i+1)
	}
}

// end gives back what the reader holds besides the processes that it follows.
func (r *procReader) end() {
	r.dir.close()
	if r.births != nil {
		r.births.f.Close()
		r.births = nil
	}
}

// confirmAfter is less than the time between two looks at a process that is not hot.
const confirmAfter = Round / 2 * time.Second

// parseStat reads /proc/PID/stat. The name may hold spaces and brackets, so fields are
// counted from the last bracket: parent is field 4, user and system time 14 and 15.
func parseStat(b []byte) (name []byte, parent int, ticks uint64, ok bool) {
	open, shut := bytes.IndexByte(b, '('), bytes.LastIndexByte(b, ')')
	if open < 0 || shut < open {
		return nil, 0, 0, false
	}
	rest := b[shut+1:]
	for k := 3; k <= 15; k++ {
		var w []byte
		w, rest = tree.Word(rest)
		switch k {
		case 4:
			n, good := tree.Signed(w)
			if !good {
				return nil, 0, 0, false
			}
			parent = int(n)
		case 14, 15:
			n, good := tree.Unsigned(w)
			if !good {
				return nil, 0, 0, false
			}
			ticks += n
		}
	}
	return b[open+1 : shut], parent, ticks, true
}

// startTicks reads field 22 of /proc/PID/stat: when the process started, in ticks since
// the machine did.
func startTicks(stat []byte) (ticks uint64, ok bool) {
	rest := stat[bytes.LastIndexByte(stat, ')')+1:]
	var w []byte
	for range 22 - 2 {
		w, rest = tree.Word(rest)
	}
	return tree.Unsigned(w)
}

// shownName is how much of a name the kernel keeps.
const shownName = 15

// closely reads the name again, since a process may have become another program since it
// was found, and its full length from the command line where the kernel cut it; and
// whether a graphics device is open.
func (r *procReader) closely(p *Process) {
	if p.files == 0 {
		r.rename(p)
	}
	p.graphics, p.files = r.dir.holds(p.PID, p.files, draws)
}

func (r *procReader) rename(p *Process) {
	if n, is, _ := r.stat(p); is {
		name, _, _, ok := parseStat(r.buf[:n])
		known := p.asked && (string(name) == p.name || len(name) >= shownName && strings.HasPrefix(p.name, string(name)))
		if ok && !known {
			p.name = string(name)
			if len(name) >= shownName {
				if cmd, why := r.t.Bytes("/proc/" + strconv.Itoa(p.PID) + "/cmdline"); why == "" {
					p.name = fullName(p.name, cmd)
				}
			}
		}
	}
}

// fullName returns the program of a command line when the kernel's name is its
// beginning.
func fullName(short string, cmdline []byte) string {
	first, _, _ := bytes.Cut(cmdline, []byte{0})
	s := string(first)
	if i := strings.LastIndexAny(s, `/\`); i >= 0 {
		s = s[i+1:]
	}
	if strings.HasPrefix(s, short) {
		return s
	}
	return short
}

// filesLookedAt bounds how many: a program opens its graphics device early. A sample looks
// at some of them.
const (
	filesLookedAt = 512
	filesPerLook  = 16
)

// eachFileIn visits the links of a folder of open files until visit returns false.
func eachFileIn(dir string, visit func(fd int, target []byte) bool) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	names, err := d.Readdirnames(filesLookedAt)
	if err != nil && err != io.EOF {
		return err
	}
	for _, n := range names {
		fd, good := tree.Number([]byte(n))
		target, err := os.Readlink(filepath.Join(dir, n))
		if err == nil && good && !visit(fd, []byte(target)) {
			break
		}
	}
	return nil
}

// infoIn reads a file of a recorded machine's fdinfo.
func infoIn(proc string, pid, file int, buf []byte) (int, error) {
	f, err := os.Open(filepath.Join(proc, strconv.Itoa(pid), "fdinfo", strconv.Itoa(file)))
	if err != nil {
		return 0, err
	}
	defer f.Close()
	n, err := io.ReadFull(f, buf)
	if err == io.ErrUnexpectedEOF || err == io.EOF {
		err = nil
	}
	return n, err
}

// draws knows the devices of the kernel's own drivers and of NVIDIA's.
func draws(target []byte) bool {
	return bytes.HasPrefix(target, []byte("/dev/dri/render")) || bytes.HasPrefix(target, []byte("/dev/nvidia"))
}
