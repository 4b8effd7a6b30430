package nvml

import (
	"math"
	"time"
	"unsafe"
)

// nvmlProcessSample is nvmlProcessUtilizationSample_t of the public header: what share of
// the time the card worked for a process since a moment that the caller names.
type nvmlProcessSample struct {
	pid         uint32
	_           uint64 // when, in us since 1970
	sm          uint32 // %, likewise the next
	_           uint32 // the memory's
	encode, dec uint32
}

// nvmlProcess is nvmlProcessInfo_t: a process that holds a context.
type nvmlProcess struct {
	pid    uint32
	memory uint64 // bytes, all ones for unknown
	_, _   uint32
}

// nvmlBack is how far back the driver remembers who worked; what was longer ago is gone.
const nvmlBack = 20 * time.Second

// Users asks NVIDIA's driver who uses one card. The driver looks five times a second
// whose work the card does: a share is a count of such looks. Copies over the link leave
// no trace in it; the link's own counters and the contexts tell of them.
type Users struct {
	lib     *Library
	index   int // of the card among NVIDIA's
	last    time.Time
	samples []nvmlProcessSample
	list    []nvmlProcess
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
	var rc uintptr
	count := uint32(0)
	u.samples, rc = room(n, u.samples, func(list uintptr, counted uintptr) uintptr {
		return n.callMore(nvProcesses, dev, list, counted, uintptr(since.UnixMicro()))
	})
	switch int32(rc) {
	case nvmlOK:
		count = min(n.out.u32, uint32(len(u.samples)))
	case nvmlNotFound:
		count = 0 // nobody worked
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
	for _, s := range u.samples[:count] {
		h := u.holds[s.pid]
		delete(u.holds, s.pid)
		u.users = append(u.users, User{Pid: int(s.pid), Shading: percent(s.sm),
			Video: max(percent(s.encode), percent(s.dec)), Memory: h.memory, Compute: h.compute})
	}
	for pid, h := range u.holds {
		u.users = append(u.users, User{Pid: int(pid), Memory: h.memory, Compute: h.compute})
	}
	use.Users = u.users
	return use, Gap{}, true
}

func percent(n uint32) float64 { return float64(min(n, 100)) / 100 }

// room calls a function that fills a list, again with a longer one where there was too
// little room.
func room[T any](n *Library, list []T, call func(list, counted uintptr) uintptr) ([]T, uintptr) {
	const least, most = 64, 4096
	if len(list) == 0 {
		list = make([]T, least)
	}
	for {
		rc := call(uintptr(unsafe.Pointer(&list[0])), n.counted(uint32(len(list))))
		if int32(rc) != nvmlTooSmall || len(list) >= most {
			return list, rc
		}
		list = make([]T, min(most, max(2*len(list), int(n.out.u32))))
	}
}

// contexts asks which programs hold a context.
func (u *Users) contexts(dev uintptr) {
	n := u.lib
	if u.holds == nil {
		u.holds = map[uint32]holder{}
	}
	clear(u.holds)
	for _, fn := range []int{nvGraphicsList, nvComputeList} {
		var rc uintptr
		u.list, rc = room(n, u.list, func(list, counted uintptr) uintptr { return n.call(fn, dev, counted, list) })
		if rc != nvmlOK {
			continue
		}
		for _, p := range u.list[:min(int(n.out.u32), len(u.list))] {
			h := u.holds[p.pid]
			if p.memory < 1<<50 {
				h.memory = max(h.memory, p.memory)
			}
			h.compute = h.compute || fn == nvComputeList
			u.holds[p.pid] = h
		}
	}
}

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
func (u *Users) link(dev uintptr) float64 {
	most := math.NaN()
	for direction := range uintptr(2) { // sent, received
		if u.lib.call(nvLink, dev, direction, uintptr(unsafe.Pointer(&u.lib.out.u32))) != nvmlOK {
			return math.NaN()
		}
		if v := 1000 * float64(u.lib.out.u32); !(v <= most) { // KB/s
			most = v
		}
	}
	return most
}
