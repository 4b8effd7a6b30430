package sensor

import (
	"time"

	"capd.example/record"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
)

// OpenGraphics opens what each card tells, in the order of detection.
func OpenGraphics(t tree.Tree, windows winsys.Asker, finder *graphics.Finder) (list []Source, gaps []record.Gap) {
	cards, why := finder.All()
	lib, _ := finder.NVML()
	if windows != nil {
		luids := make([]uint64, len(cards))
		for i, c := range cards {
			if c.NV == nil {
				luids[i] = c.LUID
			}
		}
		list, gaps = openWinCards(windows, luids)
	}
	for i, c := range cards {
		if c.NV != nil {
			list = append(list, openNVMLCard(lib, i, c.NV.Index))
			continue
		}
		if windows != nil {
			continue
		}
		s, gap := openCard(t, c, i)
		list = append(list, s...)
		gaps = append(gaps, gap...)
	}
	if len(cards) == 0 {
		g := record.Gap{Name: "gpu.0", Why: record.Absent, Text: "no graphics card was found"}
		if why.Why != "" && why.Why != record.Absent {
			g = record.Gap{Name: "gpu.0", Why: why.Why, Text: why.Text}
		}
		gaps = append(gaps, g)
	}
	return list, gaps
}

// openCard opens the files of the kernel's own drivers.
func openCard(t tree.Tree, c graphics.Card, n int) (list []Source, gaps []record.Gap) {
	dev := c.Dir + "/device"
	// Reading a card that sleeps would wake it up.
	if s := graphics.Sleeping(t, c.Dir); s != "" {
		return nil, []record.Gap{{Name: record.Numbered("gpu.N", n), Why: record.Unsupported,
			Text: "the card sleeps (" + s + ")"}}
	}
	g := &gaugeSource{name: record.Numbered("gpu.N", n)}
	r := &reasonSource{n: n}
	missing := map[string]record.Unknown{}
	add := func(name, unit, file string, scale float64) {
		if _, done := missing[name]; done && missing[name] == "" {
			return
		}
		missing[name] = g.add(t, file, scale, record.Numbered(name, n), unit)
	}
	switch c.Driver {
	case "amdgpu":
		add(record.SeriesGPUBusy, "%", dev+"/gpu_busy_percent", 1)
		add(record.SeriesGPUMemUsed, "B", dev+"/mem_info_vram_used", 1)
		if f, err := tree.Open(t.Path(dev + "/gpu_metrics")); err == nil {
			r.table = f
		}
	case "xe":
		gt := dev + "/tile0/gt0/freq0"
		add(record.SeriesGPUClock, "MHz", gt+"/act_freq", 1)
		r.openFlags(t, gt+"/throttle/reason_")
	case "i915":
		gt := c.Dir + "/gt/gt0"
		add(record.SeriesGPUClock, "MHz", gt+"/rps_act_freq_mhz", 1)
		r.openFlags(t, gt+"/throttle_reason_")
	}
	for _, hw := range t.Glob(dev + "/hwmon/hwmon*") {
		addCardSensors(t, hw, c.Driver, add)
	}
	if r.ready() {
		list = append(list, r)
	} else {
		gaps = append(gaps, record.Gap{Name: record.Numbered(record.SeriesGPUReasons, n), Why: record.Absent,
			Text: "the driver " + c.Driver + " does not tell reasons"})
	}
	if len(g.gauges) > 0 {
		list = append(list, g)
	}
	for _, name := range []string{record.SeriesGPUBusy, record.SeriesGPUClock, record.SeriesGPUTemp} {
		if why, asked := missing[name]; !asked || why != "" {
			if !asked {
				why = record.Absent
			}
			gaps = append(gaps, record.Gap{Name: record.Numbered(name, n), Why: why, Text: "driver " + c.Driver})
		}
	}
	return list, gaps
}

// addCardSensors opens a card's own sensor chip. Temperatures go by their labels; where
// there are none the first is the card's.
func addCardSensors(t tree.Tree, hw, driver string, add func(name, unit, file string, scale float64)) {
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
	table *tree.File
	flags []reasonFlag
	buf   [512]byte
}

type reasonFlag struct {
	f   *tree.File
	bit int
}

func (s *reasonSource) ready() bool { return s.table != nil || len(s.flags) > 0 }

func (s *reasonSource) openFlags(t tree.Tree, prefix string) {
	for _, q := range []struct {
		name string
		bit  int
	}{
		{"pl1", record.ThrottlePower}, {"pl2", record.ThrottlePower}, {"pl4", record.ThrottlePower},
		{"thermal", record.ThrottleThermal}, {"prochot", record.ThrottleHard}, {"ratl", record.ThrottleOther},
		{"vr_thermalert", record.ThrottleThermal}, {"vr_tdc", record.ThrottlePower},
	} {
		if f, err := tree.Open(t.Path(prefix + q.name)); err == nil {
			s.flags = append(s.flags, reasonFlag{f, q.bit})
		}
	}
}

func (s *reasonSource) Label() string { return record.Numbered(record.SeriesGPUReasons, s.n) }

func (s *reasonSource) Columns() []Column {
	source := "gpu_metrics"
	if s.table == nil {
		source = "throttle reasons of the driver"
	}
	return []Column{{s.Label(), "", source}}
}

func (s *reasonSource) Read(row []float64, _ time.Time) {
	if s.table != nil {
		n, err := s.table.Read(s.buf[:])
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
		n, err := q.f.Read(s.buf[:])
		v, ok := tree.Unsigned(s.buf[:n])
		if err != nil || !ok {
			return
		}
		if v != 0 {
			mask |= q.bit
		}
	}
	row[0] = float64(mask)
}

func (s *reasonSource) Close() {
	s.table.Close()
	for _, q := range s.flags {
		q.f.Close()
	}
}
