package cardusers

import (
	"bytes"

	"capd.example/sysinfo/tree"
)

// engine is a part of a graphics card that works beside the others.
type engine int

// The engines. 3D and compute share the card's cores, so that they are one.
const (
	engineNone engine = iota
	EngineShading
	EngineCopy
	EngineVideo
	engineCount
)

// drmEngines are the names that the kernel's drivers amdgpu, i915 and xe give their
// engines, by how they begin.
var drmEngines = []struct {
	prefix string
	engine engine
}{
	{"gfx", EngineShading}, {"compute", EngineShading}, {"render", EngineShading}, {"rcs", EngineShading},
	{"ccs", EngineShading},
	{"dma", EngineCopy}, {"copy", EngineCopy}, {"bcs", EngineCopy},
	{"dec", EngineVideo}, {"enc", EngineVideo}, {"video", EngineVideo}, {"vcs", EngineVideo}, {"vecs", EngineVideo},
	{"vcn", EngineVideo}, {"jpeg", EngineVideo}, {"vpe", EngineVideo},
}

func drmEngine(name []byte) engine {
	for _, q := range drmEngines {
		if bytes.HasPrefix(name, []byte(q.prefix)) {
			return q.engine
		}
	}
	return engineNone
}

// engineCounter is how long one engine of a card has worked for one client. A driver
// tells it in ns, or in cycles of which total have passed.
type engineCounter struct {
	engine        engine
	ns            uint64
	cycles, total uint64
	capacity      uint64 // engines of that name, 0 for one
	name          uint64 // hash of the driver's name, so that the same one is compared
}

// drmClient is what the kernel tells of one program's use of one card (Documentation/gpu/
// drm-usage-stats.rst).
type drmClient struct {
	address  [16]byte // PCI address, filled up with zeros
	id       uint64   // the same for all files that share the use
	memory   uint64   // bytes of the card's own memory
	counters [drmCounters]engineCounter
	n        int
}

// drmCounters bounds how many engines of a client are looked at.
const drmCounters = 12

// parseDRM reads a file of /proc/PID/fdinfo; false where it is not of a graphics card or
// names no client. It allocates nothing.
func parseDRM(b []byte, c *drmClient) bool {
	*c = drmClient{}
	driver, client := false, false
	var resident, older uint64
	for len(b) > 0 {
		var l []byte
		l, b = tree.Line(b)
		key, value, ok := bytes.Cut(l, []byte(":"))
		if !ok {
			continue
		}
		rest, ours := bytes.CutPrefix(key, []byte("drm-"))
		if !ours {
			continue
		}
		n, unit, isNumber := tree.NextUnsigned(value)
		switch {
		case bytes.Equal(rest, []byte("driver")):
			driver = true
		case bytes.Equal(rest, []byte("pdev")):
			w, _ := tree.Word(value)
			copy(c.address[:], w)
		case bytes.Equal(rest, []byte("client-id")):
			c.id, client = n, isNumber
		case !isNumber:
		case bytes.HasPrefix(rest, []byte("engine-capacity-")):
			c.counter(rest[len("engine-capacity-"):], func(e *engineCounter) { e.capacity = n })
		case bytes.HasPrefix(rest, []byte("engine-")):
			c.counter(rest[len("engine-"):], func(e *engineCounter) { e.ns = n })
		case bytes.HasPrefix(rest, []byte("total-cycles-")):
			c.counter(rest[len("total-cycles-"):], func(e *engineCounter) { e.total = n })
		case bytes.HasPrefix(rest, []byte("cycles-")):
			c.counter(rest[len("cycles-"):], func(e *engineCounter) { e.cycles = n })
		case isVideoMemory(rest, "resident-"):
			resident = addBytes(resident, n, unit)
		case isVideoMemory(rest, "memory-"):
			older = addBytes(older, n, unit)
		}
	}
	c.memory = max(resident, older)
	return driver && client
}

// counter finds the counter of that name, or takes a new one.
func (c *drmClient) counter(name []byte, set func(*engineCounter)) {
	e := drmEngine(name)
	if e == engineNone {
		return
	}
	hash := uint64(14695981039346656037) // FNV-1a
	for _, ch := range name {
		hash = (hash ^ uint64(ch)) * 1099511628211
	}
	for i := range c.n {
		if c.counters[i].name == hash {
			set(&c.counters[i])
			return
		}
	}
	if c.n < len(c.counters) {
		c.counters[c.n] = engineCounter{engine: e, name: hash}
		set(&c.counters[c.n])
		c.n++
	}
}

// isVideoMemory reports whether a key names the memory on the card: vram or vram0, local0.
func isVideoMemory(key []byte, kind string) bool {
	region, ok := bytes.CutPrefix(key, []byte(kind))
	return ok && (bytes.HasPrefix(region, []byte("vram")) || bytes.HasPrefix(region, []byte("local")))
}

// addBytes adds an amount in its unit to a sum, which stays at the greatest number.
func addBytes(sum, n uint64, unit []byte) uint64 {
	w, _ := tree.Word(unit)
	shift := 0
	switch {
	case bytes.HasPrefix(w, []byte("KiB")):
		shift = 10
	case bytes.HasPrefix(w, []byte("MiB")):
		shift = 20
	}
	if n > 1<<50>>shift || sum > 1<<60 {
		return sum // no card has as much: nonsense
	}
	return sum + n<<shift
}

// busyShare returns for each engine which part of the time since before it worked for the
// client, in engines of its kind. Counters that went back tell nothing.
func (c *drmClient) busyShare(before *drmClient, elapsedNS float64) (share [engineCount]float64) {
	for i := range c.n {
		now := c.counters[i]
		for k := range before.n {
			was := before.counters[k]
			if was.name != now.name {
				continue
			}
			part := 0.0
			switch {
			case now.total > was.total && now.cycles >= was.cycles:
				part = float64(now.cycles-was.cycles) / float64(now.total-was.total)
			case now.ns >= was.ns && elapsedNS > 0:
				part = float64(now.ns-was.ns) / elapsedNS
			}
			share[now.engine] += part / float64(max(now.capacity, 1))
		}
	}
	// Queues of one engine may stand for the same cores.
	for i := range share {
		share[i] = min(share[i], 1)
	}
	return share
}
