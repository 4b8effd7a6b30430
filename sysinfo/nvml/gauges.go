package nvml

import (
	"encoding/binary"
	"math"
	"time"

	"capd.example/sysinfo/winsys"
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
	if s.index >= len(n.devices) { // the driver, loaded anew, finds fewer cards
		s.lost = now
		return
	}
	dev := int64(n.devices[s.index])
	rc := n.fresh("nvmlDeviceGetTemperature", dev, 0, 4)
	if rc != nvmlOK && rc != nvmlNotSupported {
		s.lost = now
		return
	}
	put := func(at int, rc winsys.Status, v, least, most float64) {
		if rc == nvmlOK && v >= least && v <= most {
			row[at] = v
		}
	}
	put(GaugeTemperature, rc, float64(n.u32(0)), 0, 150)
	rc = n.fresh("nvmlDeviceGetClockInfo", dev, nvmlCore, 4)
	put(GaugeClock, rc, float64(n.u32(0)), 1, mostClock)
	rc = n.fresh("nvmlDeviceGetPowerUsage", dev, 0, 4)
	put(GaugePower, rc, float64(n.u32(0))/1000, 0, mostPower)
	rc = n.fresh("nvmlDeviceGetUtilizationRates", dev, 0, 8) // of the card, then of its memory
	put(GaugeBusy, rc, float64(n.u32(0)), 0, 100)
	if n.fresh(n.reasons, dev, 0, 8) == nvmlOK {
		row[GaugeReasons] = nvmlReasons(n.u64(0) & n.mask[s.index])
	}
	s.slowly(dev)
	row[GaugeMemoryClock], row[GaugeMemoryUsed] = s.slow[0], s.slow[1]
}

// Kinds of clocks (nvmlClockType_t).
const (
	nvmlCore   = 0
	nvmlMemory = 2
)

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
func (s *Gauges) slowly(dev int64) {
	n := s.lib
	due := func(at int) bool { return s.turn == 0 || s.turn%nvmlTurns == at }
	if due(0) {
		s.slow[0] = math.NaN()
		if n.fresh("nvmlDeviceGetClockInfo", dev, nvmlMemory, 4) == nvmlOK && n.u32(0) >= 1 && n.u32(0) <= mostRate {
			s.slow[0] = float64(n.u32(0))
		}
	}
	if due(nvmlTurns / 2) {
		s.slow[1] = s.memoryUsed(dev)
	}
	s.turn++
}

func (s *Gauges) memoryUsed(dev int64) float64 {
	n := s.lib
	clear(n.out)
	binary.LittleEndian.PutUint32(n.out, nvmlMemoryVersion)
	used := uint64(mostMemory)
	if n.question("nvmlDeviceGetMemoryInfo_v2", dev, 0, nvmlMemorySize) == nvmlOK {
		used = n.u64(nvmlMemoryUsed)
	} else if n.fresh("nvmlDeviceGetMemoryInfo", dev, 0, 24) == nvmlOK {
		used = n.u64(16)
	}
	if used >= mostMemory {
		return math.NaN()
	}
	return float64(used)
}
