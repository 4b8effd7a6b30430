package sensor

import "encoding/binary"

// winCPUTime is the time of one processor in units of 100 ns; kernel time holds idle
// time.
type winCPUTime struct{ idle, kernel, user uint64 }

const winCPUTimeSize = 48

// parseCPUTimes reads SYSTEM_PROCESSOR_PERFORMANCE_INFORMATION into to, one per
// processor, and returns how many there were.
func parseCPUTimes(b []byte, to []winCPUTime) int {
	n := min(len(b)/winCPUTimeSize, len(to))
	for i := range n {
		p := b[i*winCPUTimeSize:]
		to[i] = winCPUTime{binary.LittleEndian.Uint64(p), binary.LittleEndian.Uint64(p[8:]),
			binary.LittleEndian.Uint64(p[16:])}
	}
	return n
}
