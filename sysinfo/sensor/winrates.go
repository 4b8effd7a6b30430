package sensor

import (
	"encoding/binary"

	"capd.example/sysinfo/winsys"
)

// winCard is the counters of one network interface.
type winCard struct{ received, sent uint64 }

// Bits of a MIB_IF_ROW2's flags.
const (
	ifIsHardware = 1 << 0
	ifIsFilter   = 1 << 1
)

// hardwareRows lists the identifiers (NET_LUID) of the real network cards in a
// MIB_IF_TABLE2: a count, padding to 8 bytes, rows. What lies on top of a card, as
// filters and tunnels do, counts the same bytes again.
func hardwareRows(table []byte) (list []uint64) {
	if len(table) < winsys.IfTableRow {
		return nil
	}
	n, rows := binary.LittleEndian.Uint32(table), table[winsys.IfTableRow:]
	for ; n > 0 && len(rows) >= winsys.IfRowSize; n, rows = n-1, rows[winsys.IfRowSize:] {
		if rows[winsys.IfRowFlags]&(ifIsHardware|ifIsFilter) == ifIsHardware {
			list = append(list, binary.LittleEndian.Uint64(rows[winsys.IfRowLUID:]))
		}
	}
	return list
}

// parseIfRow reads a MIB_IF_ROW2; false for what is too short to be one.
func parseIfRow(b []byte) (winCard, bool) {
	if len(b) < winsys.IfRowSize {
		return winCard{}, false
	}
	return winCard{binary.LittleEndian.Uint64(b[winsys.IfRowIn:]), binary.LittleEndian.Uint64(b[winsys.IfRowOut:])}, true
}

// parseClocks reads the present clocks of a list of PROCESSOR_POWER_INFORMATION into row, one per
// processor, and returns how many there were. A clock of 0 is none.
func parseClocks(b []byte, row []float64) int {
	n := min(len(b)/winsys.CoreSize, len(row))
	for i := range n {
		p := b[i*winsys.CoreSize:]
		at, mhz := binary.LittleEndian.Uint32(p[winsys.CoreNumber:]), binary.LittleEndian.Uint32(p[winsys.CoreClock:])
		if int(at) < len(row) && mhz > 0 && mhz <= mostClock {
			row[at] = float64(mhz)
		}
	}
	return n
}
