package sysinfo

import (
	"runtime"
	"slices"

	"capd.example/record"
)

// openSources opens everything that is sampled; what is missing is a gap.
func (b *Bench) openSources() (list []source, load func() float64, table *processTable, gaps []record.Gap) {
	if b.live && runtime.GOOS == "windows" {
		list, load, table, gaps = b.openWindowsSources()
	} else {
		list, load, table, gaps = b.openTreeSources()
	}
	list = append(list, b.testOnlySources...)
	more, gap := b.openGraphics()
	list, gaps = append(list, more...), append(gaps, gap...)
	if table != nil {
		list = append(list, table)
	}
	if use := b.openCardUse(table); use != nil {
		list = append(list, use)
	}
	return list, load, table, gaps
}

// openCardUse opens what tells who uses the graphics cards; nil where there is none.
func (b *Bench) openCardUse(table *processTable) *cardTable {
	if table == nil {
		return nil
	}
	t := newCardTable(table.nameOf)
	if b.live && runtime.GOOS == "windows" {
		b.openWindowsCardUse(t)
	} else {
		b.openTreeCardUse(t, table)
	}
	if len(t.readers) == 0 && len(t.gaps) == 0 {
		return nil
	}
	return t
}

func (b *Bench) openTreeCardUse(t *cardTable, table *processTable) {
	cards, _ := b.allCards()
	var drm []drmCard
	for i, c := range cards {
		switch {
		case c.nv != nil:
			t.use(&nvmlUse{lib: b.nvml, n: i, index: c.nv.index}, nvmlEvery)
		case slices.Contains([]string{"amdgpu", "i915", "xe"}, c.driver):
			drm = append(drm, drmCard{i, c.address})
		default:
			t.silent(i, record.Unsupported, "the driver "+c.driver+" does not tell who uses the card")
		}
	}
	r, known := table.reader.(*procReader)
	if len(drm) > 0 && known {
		t.use(newDRMUse(r, drm, table), drmEvery)
	}
}

const noPressure = "the kernel was built or started without pressure figures"

// openTreeSources opens a Linux machine's sources.
func (b *Bench) openTreeSources() (list []source, load func() float64, table *processTable, gaps []record.Gap) {
	t := b.tree
	add := func(name string, s source, why record.Unknown, hint string) {
		if why != "" {
			gaps = append(gaps, record.Gap{Name: name, Why: why, Text: hint})
			return
		}
		list = append(list, s)
	}
	load = func() float64 { return 0 }
	if s, err := openCPU(t); err != nil {
		add(record.SeriesBusy, nil, reason(err), "/proc/stat")
	} else {
		list, load = append(list, s), s.load
	}
	for _, q := range []struct {
		name string
		open func(tree) (source, record.Unknown)
		hint string
		turn turn
	}{
		{record.SeriesCoreClock, openClocks, "the kernel offers no clock control, as in a virtual machine", always},
		{record.SeriesCPUTemp, openTemperatures, "no sensor chip of the processor (k10temp, zenpower, coretemp)", always},
		{record.SeriesCPUThrottle, openThrottle, "only Intel processors count this", always},
		{record.SeriesCPUPower, openPower, "an administrator may make /sys/class/powercap/*/energy_uj readable", always},
		{record.SeriesMemAvail, openMeminfo, "/proc/meminfo", turn{4, 1}},
		{record.SeriesSwapIn, openVMStat, "/proc/vmstat", turn{4, 0}},
		{record.SeriesMemStall, func(t tree) (source, record.Unknown) { return openPressure(t, "memory", record.SeriesMemStall) }, noPressure, turn{4, 2}},
		{"cpu.stall", func(t tree) (source, record.Unknown) { return openPressure(t, "cpu", "cpu.stall") }, noPressure, turn{4, 2}},
		{"io.stall", func(t tree) (source, record.Unknown) { return openPressure(t, "io", "io.stall") }, noPressure, turn{4, 3}},
		{record.SeriesDiskRead, openDisks, "no drive of its own", always},
		{record.SeriesNetRecv, openNetwork, "no network card", turn{2, 1}},
	} {
		s, why := q.open(t)
		if why == "" {
			s = q.turn.of(s)
		}
		add(q.name, s, why, q.hint)
	}
	r, why := openProcReader(t, b.live)
	if why != "" {
		add("processes", nil, why, "/proc")
	} else {
		table = newProcessTable(r, load, b.ownProcess())
	}
	return list, load, table, gaps
}
