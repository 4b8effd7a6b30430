package process

import "golang.org/x/sys/windows"

// handles are those of this machine's busy processes.
type handles map[int]windows.Handle

func timesHere() busyTimes { return handles{} }

func (h handles) used(pid int) (uint64, bool) {
	handle, kept := h[pid]
	var created, ended, kernel, user windows.Filetime
	if !kept || windows.GetProcessTimes(handle, &created, &ended, &kernel, &user) != nil {
		return 0, false
	}
	ticks := func(t windows.Filetime) uint64 { return uint64(t.HighDateTime)<<32 | uint64(t.LowDateTime) }
	return 100 * (ticks(kernel) + ticks(user)), true
}

func (h handles) follow(pid int) {
	if _, kept := h[pid]; kept {
		return
	}
	handle, err := windows.OpenProcess(windows.PROCESS_QUERY_LIMITED_INFORMATION, false, uint32(pid))
	if err == nil {
		h[pid] = handle
	}
}

func (h handles) leave(pid int) {
	if handle, kept := h[pid]; kept {
		windows.CloseHandle(handle)
		delete(h, pid)
	}
}
