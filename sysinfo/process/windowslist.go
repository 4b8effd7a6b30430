package process

import "encoding/binary"

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
	for b := list; len(b) >= 96; {
		p := winProcess{
			pid: int(binary.LittleEndian.Uint64(b[80:])), parent: int(binary.LittleEndian.Uint64(b[88:])),
			began: int64(binary.LittleEndian.Uint64(b[32:])),
			used:  100 * (binary.LittleEndian.Uint64(b[40:]) + binary.LittleEndian.Uint64(b[48:])),
		}
		length := uint64(binary.LittleEndian.Uint16(b[56:]))
		if at := binary.LittleEndian.Uint64(b[64:]); at <= uint64(len(list)) && length <= uint64(len(list))-at {
			p.name = list[at : at+length]
		}
		yield(p)
		next := uint64(binary.LittleEndian.Uint32(b))
		if next < 96 || next > uint64(len(b)) {
			return
		}
		b = b[next:]
	}
}
