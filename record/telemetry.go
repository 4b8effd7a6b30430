package record

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// Names of telemetry series. N is a number from 0.
const (
	SeriesBusy        = "cpu.busy"           // % of the whole machine
	SeriesCoreBusy    = "cpu.core.N.busy"    // % of that core; likewise the next two per logical processor
	SeriesCoreClock   = "cpu.core.N.clock"   // MHz
	SeriesCPUClock    = "cpu.clock"          // MHz, mean of all processors, boost included
	SeriesCPULimit    = "cpu.limit"          // % of the nominal clock that the system lets the processor have
	SeriesCPUTemp     = "cpu.temp"           // degrees C, package
	SeriesCPUPower    = "cpu.power"          // W
	SeriesCPUThrottle = "cpu.throttle_count" // events since boot, cumulative
	SeriesBackground  = "cpu.background"     // % of ONE core: all that is neither the measured program nor capd
	SeriesGame        = "cpu.game"           // % of ONE core: the measured program
	SeriesSteal       = "cpu.steal"          // % of the machine taken by the hypervisor
	SeriesSlept       = "system.slept"       // s that the machine slept since the sample before, or the start of the pass
	SeriesMemAvail    = "mem.available"      // bytes
	SeriesMemStall    = "mem.stall"          // % of the time that some task waited for memory
	SeriesSwapIn      = "mem.swap_in"        // pages per second
	SeriesDiskRead    = "disk.read"          // bytes per second
	SeriesDiskWrite   = "disk.write"         // bytes per second
	SeriesNetRecv     = "net.receive"        // bytes per second
	SeriesNetSend     = "net.send"           // bytes per second
	SeriesGPUBusy     = "gpu.N.busy"         // %
	SeriesGPUClock    = "gpu.N.clock"        // MHz
	SeriesGPUMemClk   = "gpu.N.mem_clock"    // MHz
	SeriesGPUTemp     = "gpu.N.temp"         // degrees C; also .temp_hotspot, .temp_mem
	SeriesGPUPower    = "gpu.N.power"        // W
	SeriesGPULimit    = "gpu.N.power_share"  // % of the card's power limit
	SeriesGPUReasons  = "gpu.N.throttle"     // bit mask of the Throttle constants, whatever the vendor's own bits
	SeriesGPUMemUsed  = "gpu.N.mem_used"     // bytes
	SeriesGPUFan      = "gpu.N.fan"          // % or rpm, see Unit
	SeriesGPUGame     = "gpu.N.game"         // % of the card: the measured program, as in [CardUse]
	SeriesGPUOthers   = "gpu.N.background"   // % of the card: all other programs that show
	SeriesGPUVideo    = "gpu.N.video"        // % of the card's video engines: all other programs that show
	SeriesGPUUnknown  = "gpu.N.unattributed" // % of the card: load that no program shows
	SeriesGPULink     = "gpu.N.link"         // bytes per second over the card's link to the machine, the busier way
)

// Numbered returns a series' name with a number in the place of its N.
func Numbered(series string, n int) string {
	before, after, found := strings.Cut(series, ".N")
	if !found {
		return series
	}
	return before + "." + strconv.Itoa(n) + after
}

// Bits of the gpu.N.throttle series: the vendors' reasons reduced to what matters.
const (
	ThrottlePower   = 1 << 0 // power limit: normal at full load
	ThrottleThermal = 1 << 1 // temperature limit
	ThrottleHard    = 1 << 2 // hardware slowdown or power brake
	ThrottleOther   = 1 << 3
)

// Series is one quantity over the samples of a [Telemetry].
type Series struct {
	Name   string    `json:"name"`
	Unit   string    `json:"unit"`
	Source string    `json:"source"`
	Values []float64 `json:"values"` // one per sample; NaN where it could not be read
}

// ProcessUse is what one program used of the processor and of the graphics cards between
// two looks at the list of processes.
type ProcessUse struct {
	Name    string    `json:"name"`
	PID     int       `json:"pid"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to"`
	Percent float64   `json:"percent"` // of one core
	Game    bool      `json:"game,omitempty"`
	// Rival marks a program that could as well be the measured one: see the gap of the
	// series cpu.game.
	Rival bool      `json:"rival,omitempty"`
	Cards []CardUse `json:"cards,omitempty"`
}

// CardUse is what one program used of one graphics card, each engine in per cent of the
// time.
type CardUse struct {
	Card    int     `json:"card"`    // N of the series gpu.N
	Shading float64 `json:"shading"` // 3D and compute, which share the card's cores
	Copy    float64 `json:"copy"`
	Video   float64 `json:"video"`  // the busiest of decoding and encoding
	Memory  uint64  `json:"memory"` // bytes of the card's own memory, the most seen; 0 for unknown
	// Compute is set where the program holds a compute context: it may copy and compute
	// although no engine's use is known.
	Compute bool `json:"compute,omitempty"`
}

// Gap is a quantity that could not be sampled, and why.
type Gap struct {
	Name string  `json:"name"`
	Why  Unknown `json:"why"`
	Text string  `json:"text,omitempty"`
}

// Telemetry holds the once-a-second samples of the window of one pass.
type Telemetry struct {
	At        []time.Time  `json:"at"` // when each sample was really taken
	Series    []Series     `json:"series"`
	Processes []ProcessUse `json:"processes,omitempty"`
	Missing   []Gap        `json:"missing,omitempty"`
}

// Find returns the named series and whether it is there.
func (t *Telemetry) Find(name string) (Series, bool) {
	if t == nil {
		return Series{}, false
	}
	for _, s := range t.Series {
		if s.Name == name {
			return s, true
		}
	}
	return Series{}, false
}

// Known returns the values of s that were read.
func (s Series) Known() []float64 {
	out := make([]float64, 0, len(s.Values))
	for _, v := range s.Values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			out = append(out, v)
		}
	}
	return out
}
