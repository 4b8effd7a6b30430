package process

import (
	"fmt"
	"time"

	"capd.example/sysinfo/winsys"
)

// openWindowsTable follows the processes of a Windows machine; times asks this machine's busy
// ones, nil for a recorded one.
func openWindowsTable(ask winsys.Asker, times busyTimes, load func() float64, self int) *Table {
	r := &winReader{ask: ask, buf: make([]byte, 512<<10), found: map[int]*winFound{}, times: times}
	return newProcessTable(r, load, self)
}

// busyTimes asks processes for the time that they have used, in ns: the list is behind.
type busyTimes interface {
	follow(pid int)
	used(pid int) (uint64, bool)
	leave(pid int)
}

// winReader follows processes by the system's own list, which opens none of them.
type winReader struct {
	ask   winsys.Asker
	buf   []byte
	found map[int]*winFound
	times busyTimes
	look  uint64
}

type winFound struct {
	parent int
	used   uint64
	began  int64
	name   string
	look   uint64 // number of the listing that saw it last
}

func (r *winReader) whole() bool { return true }

func (r *winReader) fresh(to []int) ([]int, int, bool) { return to, 0, false }

func (r *winReader) pids(to []int) ([]int, error) {
	list, status := winsys.Whole(r.ask, winsys.Question{Call: winsys.Processes}, r.buf)
	if status != winsys.OK {
		return to, fmt.Errorf("list of processes: status %#x", uint32(status))
	}
	r.buf = list[:cap(list)]
	r.look++
	eachProcess(list, func(p winProcess) {
		if p.pid == 0 {
			return // idle time
		}
		w := r.found[p.pid]
		if w == nil || p.used < w.used { // new, or the number is used again
			w = &winFound{parent: p.parent, began: p.began, name: winsys.UTF16Text(p.name)}
			r.found[p.pid] = w
		}
		w.used, w.look = p.used, r.look
		to = append(to, p.pid)
	})
	for pid, w := range r.found {
		if w.look != r.look {
			delete(r.found, pid)
		}
	}
	return to, nil
}

func (r *winReader) open(pid int) (*Process, bool) {
	w := r.found[pid]
	if w == nil {
		return nil, false
	}
	began := time.Unix(0, 100*(w.began-unixEpoch))
	return &Process{PID: pid, parent: w.parent, name: w.name, Began: began, used: w.used}, true
}

// unixEpoch is 1970 as FILETIME counts (Microsoft, "Converting a time_t value to a FILETIME").
const unixEpoch = 116444736000000000

// used asks a busy process itself and takes the others' time from the list.
func (r *winReader) used(p *Process) (uint64, bool) {
	if r.times != nil {
		if used, ok := r.times.used(p.PID); ok {
			return used, r.found[p.PID] != nil
		}
	}
	w := r.found[p.PID]
	if w == nil {
		return 0, false
	}
	return w.used, true
}

// closely follows a busy process, where the system allows it.
func (r *winReader) closely(p *Process) {
	if r.times != nil {
		r.times.follow(p.PID)
	}
}

func (r *winReader) close(p *Process) {
	if r.times != nil {
		r.times.leave(p.PID)
	}
}
