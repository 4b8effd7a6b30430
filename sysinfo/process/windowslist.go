package process

import (
	"encoding/binary"

	"capd.example/sysinfo/winsys"
)

// winProcess is one entry of the system's list of processes.
type winProcess struct {
	pid, parent int
	used        uint64 // ns
	began       int64  // 100 ns since 1601, as FILETIME counts
	name        []byte // UTF-16, little-endian, inside the list
}

// eachProcess walks SYSTEM_PROCESS_INFORMATION entries (64 bit), whose names are offsets into
// the list. It stops at the last entry or at the first that cannot be one.
func eachProcess(list []byte, yield func(winProcess)) {
	for b := list; len(b) >= winsys.ProcessSize; {
		u64 := func(at int) uint64 { return binary.LittleEndian.Uint64(b[at:]) }
		p := winProcess{
			pid: int(u64(winsys.ProcessNumber)), parent: int(u64(winsys.ProcessParent)),
			began: int64(u64(winsys.ProcessCreated)),
			used:  100 * (u64(winsys.ProcessUser) + u64(winsys.ProcessKernel)),
		}
		length := uint64(binary.LittleEndian.Uint16(b[winsys.ProcessNameLen:]))
		if at := u64(winsys.ProcessNameAt); at <= uint64(len(list)) && length <= uint64(len(list))-at {
			p.name = list[at : at+length]
		}
		yield(p)
		next := uint64(binary.LittleEndian.Uint32(b))
		if next < winsys.ProcessSize || next > uint64(len(b)) {
			return
		}
		b = b[next:]
	}
}
