package sysinfo

import (
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

// nvmlEvery is over how many samples a look at a card's processes comes once: it costs as
// much as forty other questions.
const nvmlEvery = 10

// nvmlBack is how far back the driver remembers who worked; what was longer ago is gone.
const nvmlBack = 20 * time.Second

// nvmlUse asks NVIDIA's driver who uses one card. The driver looks five times a second
// whose work the card does: a share is a count of such looks. Copies over the link leave
// no trace in it; the link's own counters and the contexts tell of them.
type nvmlUse struct {
	lib     *nvml
	n       int // of the card among all
	index   int // of the card among NVIDIA's
	last    time.Time
	samples []nvmlProcessSample
	list    []nvmlProcess
	holds   map[uint32]holder
}

// holder is what the lists say of a program.
type holder struct {
	memory  uint64
	compute bool
}

func (u *nvmlUse) close() {}

func (u *nvmlUse) look(now time.Time, t *cardTable) {
	n := u.lib
	n.mu.Lock()
	defer n.mu.Unlock()
	if u.index >= len(n.devices) {
		return
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
		g := nvmlGap(rc)
		t.silent(u.n, g.why, g.text)
		return
	}
	u.last = now
	u.contexts(dev)
	span := cardSpan{card: u.n, since: since, at: now, whole: true, link: u.link(dev), source: "nvml"}
	if first := now.Sub(since) >= nvmlBack; first {
		return // of the time before sampling nothing is to be told; it is the start to compare with
	}
	for _, s := range u.samples[:count] {
		h := u.holds[s.pid]
		delete(u.holds, s.pid)
		t.add(cardLook{card: u.n, pid: int(s.pid), name: t.names(int(s.pid)), since: since, at: now, memory: h.memory, compute: h.compute,
			share: [engineCount]float64{engineShading: percent(s.sm), engineVideo: max(percent(s.encode), percent(s.dec))}})
	}
	for pid, h := range u.holds {
		t.add(cardLook{card: u.n, pid: int(pid), name: t.names(int(pid)), since: since, at: now, memory: h.memory, compute: h.compute})
	}
	t.addSpan(span)
}

func percent(n uint32) float64 { return float64(min(n, 100)) / 100 }

// room calls a function that fills a list, again with a longer one where there was too
// little room.
func room[T any](n *nvml, list []T, call func(list, counted uintptr) uintptr) ([]T, uintptr) {
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
func (u *nvmlUse) contexts(dev uintptr) {
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

// link returns how busy the card's link to the machine is, in bytes per second of its
// busier direction, NaN for unknown. The driver measures it for 20 ms while it is asked:
// the field that counts bytes is of 32 bits and comes round within a second.
func (u *nvmlUse) link(dev uintptr) float64 {
	most := nan
	for direction := range uintptr(2) { // sent, received
		if u.lib.call(nvLink, dev, direction, uintptr(unsafe.Pointer(&u.lib.out.u32))) != nvmlOK {
			return nan
		}
		if v := 1000 * float64(u.lib.out.u32); !(v <= most) { // KB/s
			most = v
		}
	}
	return most
}
