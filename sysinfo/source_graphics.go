package sysinfo

import (
	"time"
	"unsafe"

	"capd.example/record"
)

// openGraphics opens what each card tells, in the order of detection.
func (b *Bench) openGraphics() (list []source, gaps []record.Gap) {
	cards, why := b.allCards()
	for i, c := range cards {
		if c.nv != nil {
			list = append(list, openNVMLCard(b.nvml, i, c.nv.index))
			continue
		}
		s, gap := openCard(b.tree, c, i)
		list = append(list, s...)
		gaps = append(gaps, gap...)
	}
	if len(cards) == 0 {
		g := record.Gap{Name: "gpu.0", Why: record.Absent, Text: "no graphics card was found"}
		if why.why != "" && why.why != record.Absent {
			g = record.Gap{Name: "gpu.0", Why: why.why, Text: why.text}
		}
		gaps = append(gaps, g)
	}
	return list, gaps
}

// openCard opens the files of the kernel's own drivers.
func openCard(t tree, c card, n int) (list []source, gaps []record.Gap) {
	dev := c.dir + "/device"
	// Reading a card that sleeps would wake it up.
	if s := t.sleeping(c.dir); s != "" {
		return nil, []record.Gap{{Name: numbered("gpu.N", n), Why: record.Unsupported, Text: "the card sleeps (" + s + ")"}}
	}
	g := &gaugeSource{name: numbered("gpu.N", n)}
	r := &reasonSource{n: n}
	missing := map[string]record.Unknown{}
	add := func(name, unit, file string, scale float64) {
		if _, done := missing[name]; done && missing[name] == "" {
			return
		}
		missing[name] = g.add(t, file, scale, numbered(name, n), unit)
	}
	switch c.driver {
	case "amdgpu":
		add(record.SeriesGPUBusy, "%", dev+"/gpu_busy_percent", 1)
		add(record.SeriesGPUMemUsed, "B", dev+"/mem_info_vram_used", 1)
		if f, err := openFile(t.path(dev + "/gpu_metrics")); err == nil {
			r.table = f
		}
	case "xe":
		gt := dev + "/tile0/gt0/freq0"
		add(record.SeriesGPUClock, "MHz", gt+"/act_freq", 1)
		r.openFlags(t, gt+"/throttle/reason_")
	case "i915":
		gt := c.dir + "/gt/gt0"
		add(record.SeriesGPUClock, "MHz", gt+"/rps_act_freq_mhz", 1)
		r.openFlags(t, gt+"/throttle_reason_")
	}
	for _, hw := range t.glob(dev + "/hwmon/hwmon*") {
		addCardSensors(t, hw, c.driver, add)
	}
	if r.ready() {
		list = append(list, r)
	} else {
		gaps = append(gaps, record.Gap{Name: numbered(record.SeriesGPUReasons, n), Why: record.Absent, Text: "the driver " + c.driver + " does not tell reasons"})
	}
	if len(g.gauges) > 0 {
		list = append(list, g)
	}
	for _, name := range []string{record.SeriesGPUBusy, record.SeriesGPUClock, record.SeriesGPUTemp} {
		if why, asked := missing[name]; !asked || why != "" {
			if !asked {
				why = record.Absent
			}
			gaps = append(gaps, record.Gap{Name: numbered(name, n), Why: why, Text: "driver " + c.driver})
		}
	}
	return list, gaps
}

// addCardSensors opens a card's own sensor chip. Temperatures go by their labels; where
// there are none the first is the card's.
func addCardSensors(t tree, hw, driver string, add func(name, unit, file string, scale float64)) {
	names := map[string]string{
		"edge": record.SeriesGPUTemp, "junction": record.SeriesGPUTemp + "_hotspot", "mem": record.SeriesGPUTemp + "_mem",
		"pkg": record.SeriesGPUTemp, "vram": record.SeriesGPUTemp + "_mem",
	}
	for _, l := range temperatureLabels(t, hw) {
		if name := names[l.text]; name != "" {
			add(name, "C", hw+"/"+l.input+"_input", 1e-3)
		} else if l.text == "" && l.input == "temp1" {
			add(record.SeriesGPUTemp, "C", hw+"/temp1_input", 1e-3)
		}
	}
	for _, file := range []string{"power1_average", "power1_input"} {
		add(record.SeriesGPUPower, "W", hw+"/"+file, 1e-6)
	}
	add(record.SeriesGPUFan, "rpm", hw+"/fan1_input", 1)
	if driver == "amdgpu" {
		add(record.SeriesGPUClock, "MHz", hw+"/freq1_input", 1e-6)
		add(record.SeriesGPUMemClk, "MHz", hw+"/freq2_input", 1e-6)
	}
}

// reasonSource reads why a card of the kernel's own drivers is held back: a binary table
// (amdgpu) or one file per reason (Intel).
type reasonSource struct {
	n     int
	table *file
	flags []reasonFlag
	buf   [512]byte
}

type reasonFlag struct {
	f   *file
	bit int
}

func (s *reasonSource) ready() bool { return s.table != nil || len(s.flags) > 0 }

func (s *reasonSource) openFlags(t tree, prefix string) {
	for _, q := range []struct {
		name string
		bit  int
	}{
		{"pl1", record.ThrottlePower}, {"pl2", record.ThrottlePower}, {"pl4", record.ThrottlePower},
		{"thermal", record.ThrottleThermal}, {"prochot", record.ThrottleHard}, {"ratl", record.ThrottleOther},
		{"vr_thermalert", record.ThrottleThermal}, {"vr_tdc", record.ThrottlePower},
	} {
		if f, err := openFile(t.path(prefix + q.name)); err == nil {
			s.flags = append(s.flags, reasonFlag{f, q.bit})
		}
	}
}

func (s *reasonSource) label() string { return numbered(record.SeriesGPUReasons, s.n) }

func (s *reasonSource) columns() []column {
	source := "gpu_metrics"
	if s.table == nil {
		source = "throttle reasons of the driver"
	}
	return []column{{s.label(), "", source}}
}

func (s *reasonSource) read(row []float64, _ time.Time) {
	if s.table != nil {
		n, err := s.table.read(s.buf[:])
		if err != nil {
			return
		}
		if bits, err := amdThrottle(s.buf[:n]); err == nil {
			row[0] = float64(bits)
		}
		return
	}
	mask := 0
	for _, q := range s.flags {
		n, err := q.f.read(s.buf[:])
		v, ok := unsigned(s.buf[:n])
		if err != nil || !ok {
			return
		}
		if v != 0 {
			mask |= q.bit
		}
	}
	row[0] = float64(mask)
}

func (s *reasonSource) close() {
	s.table.close()
	for _, q := range s.flags {
		q.f.close()
	}
}

// nvmlSource reads one card through NVIDIA's library. Each call is one to the driver, and
// the memory in use costs as much as all others together: what changes slowly has turns.
// The library's counts of how long a limit held the card back are never asked for: a call
// took 1.2 ms where it was measured.
type nvmlSource struct {
	lib      *nvml
	n, index int
	lost     time.Time // when the card stopped answering, to try again now and then
	turn     int
	slow     [2]float64 // memory clock and memory in use at their latest turns
}

// nvmlTurns is over how many samples the slow calls are spread.
const nvmlTurns = 4

func openNVMLCard(lib *nvml, n, index int) *nvmlSource {
	return &nvmlSource{lib: lib, n: n, index: index, slow: [2]float64{nan, nan}}
}

func (s *nvmlSource) label() string { return numbered("gpu.N", s.n) }
func (s *nvmlSource) close()        {}

func (s *nvmlSource) columns() []column {
	var cols []column
	for _, q := range [][2]string{
		{record.SeriesGPUTemp, "C"}, {record.SeriesGPUClock, "MHz"}, {record.SeriesGPUMemClk, "MHz"}, {record.SeriesGPUPower, "W"},
		{record.SeriesGPUBusy, "%"}, {record.SeriesGPUMemUsed, "B"}, {record.SeriesGPUReasons, ""},
	} {
		cols = append(cols, column{numbered(q[0], s.n), q[1], "nvml"})
	}
	return cols
}

func (s *nvmlSource) read(row []float64, now time.Time) {
	n := s.lib
	n.mu.Lock()
	defer n.mu.Unlock()
	if !s.answers(now) {
		return
	}
	dev, o := n.devices[s.index], n.out
	u32 := uintptr(unsafe.Pointer(&o.u32))
	if rc := n.call(nvTemperature, dev, 0, u32); rc == nvmlOK {
		row[0] = float64(o.u32)
	} else if rc != nvmlNotSupported {
		s.lost = now
		return
	}
	if n.call(nvClock, dev, 0, u32) == nvmlOK {
		row[1] = float64(o.u32)
	}
	if n.call(nvPower, dev, u32, 0) == nvmlOK {
		row[3] = float64(o.u32) / 1000
	}
	if n.call(nvUtilization, dev, uintptr(unsafe.Pointer(&o.util)), 0) == nvmlOK {
		row[4] = float64(o.util.gpu)
	}
	if n.call(nvReasons, dev, uintptr(unsafe.Pointer(&o.u64)), 0) == nvmlOK {
		row[6] = nvmlReasons(o.u64 & n.mask[s.index])
	}
	s.slowly(dev)
	row[2], row[5] = s.slow[0], s.slow[1]
}

// answers reports whether the card may be asked, and forgets what it told before it was
// lost.
func (s *nvmlSource) answers(now time.Time) bool {
	if s.lost.IsZero() {
		return true
	}
	n := s.lib
	if now.Sub(s.lost) < time.Minute {
		return false
	}
	// The driver may have been loaded anew since.
	s.lost = now
	if n.start().why != "" || s.index >= len(n.devices) {
		return false
	}
	s.lost, s.turn, s.slow = time.Time{}, 0, [2]float64{nan, nan}
	return true
}

// slowly makes the calls whose turn it is; all of them at first.
func (s *nvmlSource) slowly(dev uintptr) {
	n, o := s.lib, s.lib.out
	due := func(at int) bool { return s.turn == 0 || s.turn%nvmlTurns == at }
	if due(0) {
		s.slow[0] = nan
		if n.call(nvClock, dev, 2, uintptr(unsafe.Pointer(&o.u32))) == nvmlOK {
			s.slow[0] = float64(o.u32)
		}
	}
	if due(nvmlTurns / 2) {
		s.slow[1] = s.memoryUsed(dev)
	}
	s.turn++
}

func (s *nvmlSource) memoryUsed(dev uintptr) float64 {
	n, o := s.lib, s.lib.out
	o.shares.version = nvmlMemoryVersion
	if n.call(nvMemoryShares, dev, uintptr(unsafe.Pointer(&o.shares)), 0) == nvmlOK {
		return float64(o.shares.used)
	}
	if n.call(nvMemory, dev, uintptr(unsafe.Pointer(&o.memory)), 0) == nvmlOK {
		return float64(o.memory.used)
	}
	return nan
}
