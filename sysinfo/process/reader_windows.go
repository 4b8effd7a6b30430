package process

import (
	"time"
	"unsafe"

	"capd.example/sysinfo/winsys"
	"golang.org/x/sys/windows"
)

var (
	listOfProcesses   = int32(windows.SystemProcessInformation)
	errLengthMismatch = windows.STATUS_INFO_LENGTH_MISMATCH
)

// openWindowsTable follows the processes of this Windows.
func openWindowsTable(load func() float64, self int) *Table {
	return newProcessTable(&winReader{buf: make([]byte, 512<<10), found: map[int]*winFound{},
		handles: map[int]windows.Handle{}}, load, self)
}

// winReader follows processes by the system's own list, which opens none of them.
type winReader struct {
	buf     []byte
	found   map[int]*winFound
	handles map[int]windows.Handle // of busy processes
	look    uint64
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
	var n uint32
	for range 4 {
		err := windows.NtQuerySystemInformation(listOfProcesses, unsafe.Pointer(&r.buf[0]), uint32(len(r.buf)), &n)
		if err == nil {
			break
		}
		if err != errLengthMismatch {
			return to, err
		}
		r.buf = make([]byte, int(n)+64<<10) // processes start while we ask
	}
	r.look++
	base := uint64(uintptr(unsafe.Pointer(&r.buf[0])))
	eachProcess(r.buf[:min(int(n), len(r.buf))], base, func(p winProcess) {
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
	began := windows.Filetime{LowDateTime: uint32(w.began), HighDateTime: uint32(w.began >> 32)}
	return &Process{PID: pid, parent: w.parent, name: w.name, Began: time.Unix(0, began.Nanoseconds()), used: w.used}, true
}

// used asks a busy process itself and takes the others' time from the list.
func (r *winReader) used(p *Process) (uint64, bool) {
	if h, kept := r.handles[p.PID]; kept {
		var created, ended, kernel, user windows.Filetime
		if windows.GetProcessTimes(h, &created, &ended, &kernel, &user) == nil {
			ticks := func(t windows.Filetime) uint64 { return uint64(t.HighDateTime)<<32 | uint64(t.LowDateTime) }
			return 100 * (ticks(kernel) + ticks(user)), r.found[p.PID] != nil
		}
	}
	w := r.found[p.PID]
	if w == nil {
		return 0, false
	}
	return w.used, true
}

// closely keeps a handle of a busy process, where the system allows it.
func (r *winReader) closely(p *Process) {
	if _, kept := r.handles[p.PID]; kept {
		return
	}
	h, err := windows.OpenProcess(windows.PROCESS_QUERY_LIMITED_INFORMATION, false, uint32(p.PID))
	if err == nil {
		r.handles[p.PID] = h
	}
}

func (r *winReader) close(p *Process) {
	if h, kept := r.handles[p.PID]; kept {
		windows.CloseHandle(h)
		delete(r.handles, p.PID)
	}
}
