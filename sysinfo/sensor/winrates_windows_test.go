package sensor

import (
	"math"
	"testing"
	"time"
	"unsafe"

	"capd.example/sysinfo/winsys"
	"golang.org/x/sys/windows"
)

// TestIfRowLayout holds our offsets against the structure as golang.org/x/sys declares it.
func TestIfRowLayout(t *testing.T) {
	var r windows.MibIfRow2
	if unsafe.Sizeof(r) != winsys.IfRowSize || unsafe.Offsetof(r.InterfaceAndOperStatusFlags) != winsys.IfRowFlags ||
		unsafe.Offsetof(r.InOctets) != winsys.IfRowIn || unsafe.Offsetof(r.OutOctets) != winsys.IfRowOut {
		t.Error("MIB_IF_ROW2 is laid out otherwise")
	}
}

// TestRatesHere: what this Windows tells is a number, or why there is none.
func TestRatesHere(t *testing.T) {
	ask := winsys.Here()
	s, why := openWinNetwork(ask)
	t.Logf("network: %q", why)
	if why == "" {
		row := []float64{math.NaN(), math.NaN()}
		s.Read(row, time.Unix(0, 0))
		s.Read(row, time.Unix(1, 0))
		if !(row[0] >= 0 && row[1] >= 0) {
			t.Errorf("rates %v", row)
		}
	}
	cores := len(openWinCPU(ask).now)
	if s, why = openWinClocks(ask, cores); why != "" {
		t.Logf("clocks: %q", why)
		return
	}
	row := make([]float64, cores)
	s.Read(row, time.Now())
	t.Logf("clocks %v", row)
	for i, mhz := range row {
		if mhz < 100 || mhz > 20_000 {
			t.Errorf("processor %d runs at %g MHz", i, mhz)
		}
	}
}
