package nvml

import (
	"math"
	"time"
	"unsafe"
)

// The values of one reading of a card, in their order; NaN stands for what the driver does
// not tell.
const (
	GaugeTemperature = iota // degrees C
	GaugeClock              // MHz
	GaugeMemoryClock        // MHz
	GaugePower              // W
	GaugeBusy               // %
	GaugeMemoryUsed         // bytes
	GaugeReasons            // bits of record.Throttle...
	GaugeCount
)

// Gauges reads one card's clocks, temperatures and loads. Each call is one to the driver,
// and the memory in use costs as much as all others together: what changes slowly has turns.
// The library's counts of how long a limit held the card back are never asked for: a call
// took 1.2 ms where it was measured.
type Gauges struct {
	lib   *Library
	index int
	lost  time.Time // when the card stopped answering, to try again now and then
	turn  int
	slow  [2]float64 // memory clock and memory in use at their latest turns
}

// nvmlTurns is over how many samples the slow calls are spread.
const nvmlTurns = 4

// NewGauges reads the card of that number among NVIDIA's.
func NewGauges(lib *Library, index int) *Gauges {
	return &Gauges{lib: lib, index: index, slow: [2]float64{math.NaN(), math.NaN()}}
}

// Read fills row, which holds NaN where it comes in, with gaugeCount values.
func (s *Gauges) Read(row []float64, now time.Time) {
	n := s.lib
	n.mu.Lock()
	defer n.mu.Unlock()
	if !s.answers(now) {
		return
	}
	dev, o := n.devices[s.index], n.out
	u32 := uintptr(unsafe.Pointer(&o.u32))
	if rc := n.call(nvTemperature, dev, 0, u32); rc == nvmlOK {
		row[GaugeTemperature] = float64(o.u32)
	} else if rc != nvmlNotSupported {
		s.lost = now
		return
	}
	if n.call(nvClock, dev, 0, u32) == nvmlOK {
		row[GaugeClock] = float64(o.u32)
	}
	if n.call(nvPower, dev, u32, 0) == nvmlOK {
		row[GaugePower] = float64(o.u32) / 1000
	}
	if n.call(nvUtilization, dev, uintptr(unsafe.Pointer(&o.util)), 0) == nvmlOK {
		row[GaugeBusy] = float64(o.util.gpu)
	}
	if n.call(nvReasons, dev, uintptr(unsafe.Pointer(&o.u64)), 0) == nvmlOK {
		row[GaugeReasons] = nvmlReasons(o.u64 & n.mask[s.index])
	}
	s.slowly(dev)
	row[GaugeMemoryClock], row[GaugeMemoryUsed] = s.slow[0], s.slow[1]
}

// answers reports whether the card may be asked, and forgets what it told before it was
// lost.
func (s *Gauges) answers(now time.Time) bool {
	if s.lost.IsZero() {
		return true
	}
	n := s.lib
	if now.Sub(s.lost) < time.Minute {
		return false
	}
	// The driver may have been loaded anew since.
	s.lost = now
	if n.start().Why != "" || s.index >= len(n.devices) {
		return false
	}
	s.lost, s.turn, s.slow = time.Time{}, 0, [2]float64{math.NaN(), math.NaN()}
	return true
}

// slowly makes the calls whose turn it is; all of them at first.
func (s *Gauges) slowly(dev uintptr) {
	n, o := s.lib, s.lib.out
	due := func(at int) bool { return s.turn == 0 || s.turn%nvmlTurns == at }
	if due(0) {
		s.slow[0] = math.NaN()
		if n.call(nvClock, dev, 2, uintptr(unsafe.Pointer(&o.u32))) == nvmlOK {
			s.slow[0] = float64(o.u32)
		}
	}
	if due(nvmlTurns / 2) {
		s.slow[1] = s.memoryUsed(dev)
	}
	s.turn++
}

func (s *Gauges) memoryUsed(dev uintptr) float64 {
	n, o := s.lib, s.lib.out
	o.shares.version = nvmlMemoryVersion
	if n.call(nvMemoryShares, dev, uintptr(unsafe.Pointer(&o.shares)), 0) == nvmlOK {
		return float64(o.shares.used)
	}
	if n.call(nvMemory, dev, uintptr(unsafe.Pointer(&o.memory)), 0) == nvmlOK {
		return float64(o.memory.used)
	}
	return math.NaN()
}
