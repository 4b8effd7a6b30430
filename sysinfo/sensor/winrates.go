package sensor

import "encoding/binary"

// winCard is the counters of one network interface.
type winCard struct{ received, sent uint64 }

// MIB_IF_ROW2 of Windows' netioapi.h, 64 bit: where its fields begin.
const (
	ifRowSize    = 1352
	ifRowLUID    = 0
	ifRowFlags   = 1152 // InterfaceAndOperStatusFlags
	ifRowIn      = 1208 // InOctets
	ifRowOut     = 1280 // OutOctets
	ifIsHardware = 1 << 0
	ifIsFilter   = 1 << 1
)

// hardwareRows lists the identifiers (NET_LUID) of the real network cards in a
// MIB_IF_TABLE2: a count, padding to 8 bytes, rows. What lies on top of a card, as
// filters and tunnels do, counts the same bytes again.
func hardwareRows(table []byte) (list []uint64) {
	if len(table) < 8 {
		return nil
	}
	n, rows := binary.LittleEndian.Uint32(table), table[8:]
	for ; n > 0 && len(rows) >= ifRowSize; n, rows = n-1, rows[ifRowSize:] {
		if rows[ifRowFlags]&(ifIsHardware|ifIsFilter) == ifIsHardware {
			list = append(list, binary.LittleEndian.Uint64(rows[ifRowLUID:]))
		}
	}
	return list
}

// parseIfRow reads a MIB_IF_ROW2; false for what is too short to be one.
func parseIfRow(b []byte) (winCard, bool) {
	if len(b) < ifRowSize {
		return winCard{}, false
	}
	return winCard{binary.LittleEndian.Uint64(b[ifRowIn:]), binary.LittleEndian.Uint64(b[ifRowOut:])}, true
}

// powerInfoSize is that of PROCESSOR_POWER_INFORMATION (Windows' CallNtPowerInformation):
// number, greatest clock, present clock, limit of the clock (in MHz), two idle states, of
// 32 bits each.
const powerInfoSize = 24

// parseClocks reads the present clocks into row, one per processor, and returns how many
// there were. A clock of 0 is none.
func parseClocks(b []byte, row []float64) int {
	n := min(len(b)/powerInfoSize, len(row))
	for i := range n {
		p := b[i*powerInfoSize:]
		at, mhz := binary.LittleEndian.Uint32(p), binary.LittleEndian.Uint32(p[8:])
		if int(at) < len(row) && mhz > 0 && mhz <= mostClock {
			row[at] = float64(mhz)
		}
	}
	return n
}
