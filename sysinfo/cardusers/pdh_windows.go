package cardusers

import (
	"math"
	"slices"
	"time"
	"unsafe"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
	"golang.org/x/sys/windows"
)

// pdhEvery is over how many samples a look at the counters of the cards comes once: there
// is one for each program and engine.
const pdhEvery = 5

// The counters, by their English names.
const (
	pdhEngines  = `\GPU Engine(*)\Utilization Percentage`
	pdhMemory   = `\GPU Process Memory(*)\Dedicated Usage`
	pdhAdapters = `\GPU Adapter Memory(*)\Dedicated Usage`
)

// pdhUse reads Windows' counters of every program's use of every card and engine. A
// wildcard stands for the programs that ran when it was added: each look reads what was
// added at the look before and adds it anew, which is also the start of the next mean.
type pdhUse struct {
	query   uintptr
	engines uintptr
	memory  uintptr
	adapter uintptr
	last    time.Time
	buf     []byte
	cards   []uint64 // their LUIDs, the one with most memory in use first
}

// pdhItem is PDH_FMT_COUNTERVALUE_ITEM_W for doubles.
type pdhItem struct {
	name   *uint16
	status uint32
	_      uint32
	value  float64
}

func openWindowsCardUse(t *Table) {
	u := &pdhUse{}
	if winsys.PDH.Load() != nil || winsys.PdhArray.Find() != nil || winsys.PdhRemove.Find() != nil {
		t.silent(0, record.Absent, "pdh.dll")
		return
	}
	if rc, _, _ := winsys.PdhOpen.Call(0, 0, uintptr(unsafe.Pointer(&u.query))); rc != 0 {
		t.silent(0, record.Broken, "PdhOpenQuery")
		return
	}
	if !u.add() {
		winsys.PdhClose.Call(u.query)
		t.silent(0, record.Absent, "counter GPU Engine")
		return
	}
	t.use(u, pdhEvery)
}

// add adds the wildcards and reads them once.
func (u *pdhUse) add() bool {
	for _, q := range []struct {
		path string
		to   *uintptr
	}{{pdhEngines, &u.engines}, {pdhMemory, &u.memory}, {pdhAdapters, &u.adapter}} {
		if *q.to != 0 {
			winsys.PdhRemove.Call(*q.to)
			*q.to = 0
		}
		path, _ := windows.UTF16PtrFromString(q.path)
		winsys.PdhAdd.Call(u.query, uintptr(unsafe.Pointer(path)), 0, uintptr(unsafe.Pointer(q.to)))
	}
	if u.engines == 0 {
		return false
	}
	winsys.PdhCollect.Call(u.query)
	return true
}

func (u *pdhUse) close() { winsys.PdhClose.Call(u.query) }

func (u *pdhUse) look(now time.Time, t *Table) {
	since := u.last
	u.last = now
	rc, _, _ := winsys.PdhCollect.Call(u.query)
	if rc == 0 && !since.IsZero() && now.Sub(since) < time.Minute {
		u.tell(since, now, t)
	}
	if !u.add() {
		t.silent(0, record.Broken, "counter GPU Engine")
	}
}

// tell hands over what the counters say of the time since the look before.
func (u *pdhUse) tell(since, now time.Time, t *Table) {
	const large, double = 0x400, 0x200
	inUse := map[uint64]float64{}
	u.each(u.adapter, large, func(name string, value float64) {
		if e, ok := parseInstance("pid_0_" + name); ok {
			inUse[e.card] += value
		}
	})
	type user struct {
		pid  int
		card uint64
	}
	looks := map[user]*Look{}
	at := func(e engineInstance) *Look {
		k := user{e.pid, e.card}
		if looks[k] == nil {
			looks[k] = &Look{PID: e.pid, since: since, at: now}
		}
		return looks[k]
	}
	u.each(u.engines, double, func(name string, value float64) {
		e, ok := parseInstance(name)
		if _, seen := inUse[e.card]; ok && !seen {
			inUse[e.card] = 0
		}
		if ok && value > 0 && e.engine != engineNone {
			s := &at(e).share[e.engine]
			*s = min(1, *s+min(value, 100)/100)
		}
	})
	u.each(u.memory, large, func(name string, value float64) {
		if e, ok := parseInstance(name); ok && value > 0 && value < 1<<50 {
			at(e).memory += uint64(value)
		}
	})
	u.order(inUse)
	for k, l := range looks {
		if l.card = slices.Index(u.cards, k.card); l.card >= 0 {
			l.name = t.names(l.PID)
			t.add(*l)
		}
	}
	for i := range u.cards {
		t.addSpan(Span{Card: i, Since: since, At: now, Whole: true, Link: math.NaN(), Source: "performance counters"})
	}
}

// order gives each card its number when it is first seen. Detection counts the card with
// most memory first; the counters tell the memory in use only, which is a guess at the
// same order.
func (u *pdhUse) order(inUse map[uint64]float64) {
	var found []uint64
	for luid := range inUse {
		if !slices.Contains(u.cards, luid) {
			found = append(found, luid)
		}
	}
	slices.SortFunc(found, func(a, b uint64) int {
		switch {
		case inUse[a] > inUse[b]:
			return -1
		case inUse[a] < inUse[b]:
			return 1
		case a < b:
			return -1
		}
		return 1
	})
	u.cards = append(u.cards, found...)
}

// each calls visit with every instance of a wildcard. The library says how much room it
// needs, which grows while programs start.
func (u *pdhUse) each(counter uintptr, format uintptr, visit func(name string, value float64)) {
	const moreData = 0x800007D2
	if counter == 0 {
		return
	}
	for range 4 {
		size, count := uint32(len(u.buf)), uint32(0)
		var buf uintptr
		if size > 0 {
			buf = uintptr(unsafe.Pointer(&u.buf[0]))
		}
		rc, _, _ := winsys.PdhArray.Call(counter, format, uintptr(unsafe.Pointer(&size)), uintptr(unsafe.Pointer(&count)),
			buf)
		switch {
		case uint32(rc) == moreData && size < 16<<20:
			u.buf = make([]byte, size+4096)
			continue
		case rc != 0 || len(u.buf) == 0:
			return
		}
		room := len(u.buf) / int(unsafe.Sizeof(pdhItem{}))
		for _, item := range unsafe.Slice((*pdhItem)(unsafe.Pointer(&u.buf[0])), min(int(count), room)) {
			if item.status > 1 || item.name == nil { // neither valid data nor new data
				continue
			}
			value := item.value
			if format&0x400 != 0 {
				value = float64(*(*int64)(unsafe.Pointer(&item.value)))
			}
			visit(windows.UTF16PtrToString(item.name), value)
		}
		return
	}
}
