package sysinfo

import (
	"bytes"
	"runtime"

	"capd.example/sysinfo/tree"
)

// glance tells how busy the machine was since the last call by its idle time alone
// (/proc/uptime; kernel: Documentation/filesystems/proc.rst): the cheapest file that tells.
type glance struct {
	f        *tree.File
	online   *tree.File // which processors are switched on; nil where that is not told
	buf      [256]byte
	cores    float64
	up, idle float64 // seconds at the last call
}

// openGlance returns nil where there is no such file of the kernel's own, whose reads end
// at once.
func openGlance(t tree.Tree) *glance {
	f, err := tree.Open(t.Path("/proc/uptime"))
	if err != nil {
		return nil
	}
	if !f.Kernels() {
		f.Close()
		return nil
	}
	return newGlance(f, t)
}

func newGlance(f *tree.File, t tree.Tree) *glance {
	g := &glance{f: f}
	if online, err := tree.Open(t.Path(tree.CPUDir + "/online")); err == nil {
		online.Prompt()
		g.online = online
	}
	return g
}

// count looks how many processors there are: they can be switched on and off at run time.
func (g *glance) count() {
	cores := 0
	if g.online != nil {
		if n, err := g.online.Read(g.buf[:]); err == nil && n < len(g.buf) {
			cores = len(tree.CPUList(string(g.buf[:n])))
		}
	}
	if cores == 0 {
		cores = runtime.NumCPU()
	}
	g.cores = float64(cores)
}

// load returns the busy processors; false at the first call, where the file tells nothing,
// and where more time was idle than the processors counted last have: more were switched
// on since, and how many of them are busy is unknown.
func (g *glance) load() (busy float64, known bool) {
	n, err := g.f.Read(g.buf[:])
	up, idle, ok := parseUptime(g.buf[:max(n, 0)])
	if err != nil || !ok {
		g.up = 0
		return 0, false
	}
	before, was := g.up, g.idle
	g.up, g.idle = up, idle
	if before == 0 || up <= before || idle < was {
		return 0, false
	}
	// Both clocks are cut to 10 ms, and processors are not all read at once.
	const slack = 0.02
	elapsed := up - before
	busy = g.cores - (idle-was)/elapsed
	if busy < -quiet-slack*g.cores/elapsed {
		return 0, false
	}
	return max(0, busy), true
}

func (g *glance) close() {
	if g != nil {
		g.f.Close()
		g.online.Close()
	}
}

// parseUptime reads two numbers of seconds with two decimals.
func parseUptime(b []byte) (up, idle float64, ok bool) {
	var out [2]float64
	for i := range out {
		var w []byte
		w, b = tree.Word(b)
		whole, part, dot := bytes.Cut(w, []byte{'.'})
		n, ok1 := tree.Unsigned(whole)
		h, ok2 := tree.Unsigned(part)
		if !dot || !ok1 || !ok2 || len(part) != 2 {
			return 0, 0, false
		}
		out[i] = float64(n) + float64(h)/100
	}
	return out[0], out[1], out[0] > 0
}
