package nvml

import (
	"encoding/binary"
	"math"
	"time"

	"capd.example/sysinfo/winsys"
)

// Sizes and offsets of nvmlProcessUtilizationSample_t of the public header, what share of the time
// the card worked for a process since a moment that the caller names, and of nvmlProcessInfo_t, a
// process that holds a context.
const (
	useSize   = 32
	useShades = 16 // smUtil, %; memUtil follows
	useEncode = 24 // %, then what it decodes

	contextSize   = 24
	contextMemory = 8 // bytes, all ones for unknown
)

// nvmlBack is how far back the driver remembers who worked; what was longer ago is gone.
const nvmlBack = 20 * time.Second

// Users asks NVIDIA's driver who uses one card. The driver looks five times a second
// whose work the card does: a share is a count of such looks. Copies over the link leave
// no trace in it; the link's own counters and the contexts tell of them.
type Users struct {
	lib     *Library
	index   int // of the card among NVIDIA's
	last    time.Time
	samples []byte
	list    []byte
	holds   map[uint32]holder
	users   []User // of the latest reading
}

// holder is what the lists say of a program.
type holder struct {
	memory  uint64
	compute bool
}

// NewUsers asks for the card of that number among NVIDIA's.
func NewUsers(lib *Library, index int) *Users { return &Users{lib: lib, index: index} }

// User is one program's use of a card since the reading before.
type User struct {
	Pid            int
	Shading, Video float64 // of the time, 0 to 1
	Memory         uint64  // bytes of the card's memory, 0 for unknown
	Compute        bool    // holds a compute context
}

// Use is who used a card between two readings.
type Use struct {
	Since time.Time
	Link  float64 // bytes per second over the card's link, NaN for unknown and while nobody holds a compute context
	Users []User  // until the next reading
}

// Read asks who used the card since the reading before. The gap says why that is not known;
// ok is false also at the first reading and where the one before is too long ago, since there
// is nothing to compare with.
func (u *Users) Read(now time.Time) (use Use, why Gap, ok bool) {
	n := u.lib
	n.mu.Lock()
	defer n.mu.Unlock()
	if u.index >= len(n.devices) {
		return use, Gap{}, false
	}
	dev := n.devices[u.index]
	since := u.last
	if since.IsZero() || now.Sub(since) > nvmlBack {
		since = now.Add(-nvmlBack)
	}
	samples, rc := winsys.Whole(n.ask, winsys.Question{Call: "nvmlDeviceGetProcessUtilization", A: dev,
		Since: since.UnixMicro()}, room(&u.samples, useSize))
	switch rc {
	case nvmlOK:
		u.samples = samples[:cap(samples)]
	case nvmlNotFound:
		samples = nil // nobody worked
	case winsys.NoFunction:
		return use, nvmlGap(nvmlNoFunction), false
	default:
		return use, nvmlGap(rc), false
	}
	u.last = now
	u.contexts(dev)
	use = Use{Since: since, Link: math.NaN()}
	if u.computing() {
		use.Link = u.link(dev)
	}
	if first := now.Sub(since) >= nvmlBack; first {
		return use, Gap{}, false // of the time before sampling nothing is to be told; it is the start to compare with
	}
	u.users = u.users[:0]
	for ; len(samples) >= useSize; samples = samples[useSize:] {
		pid := binary.LittleEndian.Uint32(samples)
		part := func(at int) float64 { return float64(min(binary.LittleEndian.Uint32(samples[at:]), 100)) / 100 }
		h := u.holds[pid]
		delete(u.holds, pid)
		u.users = append(u.users, User{Pid: int(pid), Shading: part(useShades),
			Video: max(part(useEncode), part(useEncode+4)), Memory: h.memory, Compute: h.compute})
	}
	for pid, h := range u.holds {
		u.users = append(u.users, User{Pid: int(pid), Memory: h.memory, Compute: h.compute})
	}
	use.Users = u.users
	return use, Gap{}, true
}

// room returns room for a list of entries of a size, the one of before where there is one.
func room(before *[]byte, size int) []byte {
	const least = 64
	if len(*before) == 0 {
		*before = make([]byte, least*size)
	}
	return *before
}

// contexts asks which programs hold a context.
func (u *Users) contexts(dev uint64) {
	n := u.lib
	if u.holds == nil {
		u.holds = map[uint32]holder{}
	}
	clear(u.holds)
	for _, name := range []string{"nvmlDeviceGetGraphicsRunningProcesses_v3", nvmlComputing} {
		list, rc := winsys.Whole(n.ask, winsys.Question{Call: name, A: dev}, room(&u.list, contextSize))
		if rc != nvmlOK {
			continue
		}
		u.list = list[:cap(list)]
		for ; len(list) >= contextSize; list = list[contextSize:] {
			pid := binary.LittleEndian.Uint32(list)
			h := u.holds[pid]
			if memory := binary.LittleEndian.Uint64(list[contextMemory:]); memory < mostMemory {
				h.memory = max(h.memory, memory)
			}
			h.compute = h.compute || name == nvmlComputing
			u.holds[pid] = h
		}
	}
}

const nvmlComputing = "nvmlDeviceGetComputeRunningProcesses_v3"

// computing tells whether any program holds a compute context. Without one the link has
// nothing to tell that the shares do not, and to ask costs 40 ms of waiting.
func (u *Users) computing() bool {
	for _, h := range u.holds {
		if h.compute {
			return true
		}
	}
	return false
}

// link returns how busy the card's link to the machine is, in bytes per second of its
// busier direction, NaN for unknown. The driver measures it for 20 ms while it is asked:
// the field that counts bytes is of 32 bits and comes round within a second.
func (u *Users) link(dev uint64) float64 {
	most := math.NaN()
	for direction := range uint64(2) { // sent, received
		if u.lib.fresh("nvmlDeviceGetPcieThroughput", int64(dev), direction, 4) != nvmlOK {
			return math.NaN()
		}
		if v := 1000 * float64(u.lib.u32(0)); !(v <= most) { // KB/s
			most = v
		}
	}
	return most
}
