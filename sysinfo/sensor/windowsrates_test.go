package sensor

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"

	"capd.example/sysinfo/winsys"
)

func TestCPUTimesOfWindows(t *testing.T) {
	b := make([]byte, 2*winCPUTimeSize)
	binary.LittleEndian.PutUint64(b[winCPUTimeSize:], 70)
	binary.LittleEndian.PutUint64(b[winCPUTimeSize+8:], 90)
	binary.LittleEndian.PutUint64(b[winCPUTimeSize+16:], 10)
	var to [4]winCPUTime
	if n := parseCPUTimes(b, to[:]); n != 2 || to[1] != (winCPUTime{70, 90, 10}) {
		t.Errorf("%d %+v", n, to)
	}
}

// TestNetworkOfWindows: of a card, a filter on top of it, a tunnel and a second card the
// two cards count. The layout is that of MIB_IF_ROW2 (netioapi.h).
func TestNetworkOfWindows(t *testing.T) {
	row := func(luid uint64, flags byte, in, out uint64) []byte {
		b := make([]byte, winsys.IfRowSize)
		binary.LittleEndian.PutUint64(b, luid)
		b[1152] = flags
		binary.LittleEndian.PutUint64(b[1208:], in)
		binary.LittleEndian.PutUint64(b[1280:], out)
		return b
	}
	table := binary.LittleEndian.AppendUint64(nil, 4)
	for i, flags := range []byte{1, 3, 0, 1 | 0x80} { // hardware, filter, tunnel, hardware that rests
		table = append(table, row(uint64(i)+1<<48, flags, 10, 20)...)
	}
	if got := hardwareRows(table); !slices.Equal(got, []uint64{0 + 1<<48, 3 + 1<<48}) {
		t.Errorf("cards %x", got)
	}
	for _, damaged := range [][]byte{nil, table[:7], table[:8], table[:8+winsys.IfRowSize-1]} {
		if got := hardwareRows(damaged); got != nil {
			t.Errorf("%d bytes: %x", len(damaged), got)
		}
	}
	if c, ok := parseIfRow(row(1, 1, 1<<40, 7)); !ok || c != (winCard{1 << 40, 7}) {
		t.Errorf("%+v", c)
	}
	if _, ok := parseIfRow(make([]byte, winsys.IfRowSize-1)); ok {
		t.Error("half a row was taken")
	}
}

// TestClocksOfWindows: PROCESSOR_POWER_INFORMATION as documented for
// CallNtPowerInformation; entries need not come in order, and 0 is no clock.
func TestClocksOfWindows(t *testing.T) {
	var b []byte
	for _, p := range [][6]uint32{{1, 5700, 4450, 5700, 2, 1}, {0, 5700, 5525, 5700, 2, 0}, {2, 5700, 0, 5700, 0, 0}, {99, 1, 1, 1, 1, 1}} {
		for _, v := range p {
			b = binary.LittleEndian.AppendUint32(b, v)
		}
	}
	row := []float64{math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	if n := parseClocks(b, row); n != 4 || row[0] != 5525 || row[1] != 4450 || !math.IsNaN(row[2]) || !math.IsNaN(row[3]) {
		t.Errorf("%d: %v", n, row)
	}
	if n := parseClocks(b[:winsys.CoreSize-1], row); n != 0 {
		t.Errorf("%d clocks in half an entry", n)
	}
}
