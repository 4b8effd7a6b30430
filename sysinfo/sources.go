package sysinfo

import (
	"runtime"

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
	return list, load, table, gaps
}

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
	}{
		{record.SeriesCoreClock, openClocks, "the kernel offers no clock control, as in a virtual machine"},
		{record.SeriesCPUTemp, openTemperatures, "no sensor chip of the processor (k10temp, zenpower, coretemp)"},
		{record.SeriesCPUThrottle, openThrottle, "only Intel processors count this"},
		{record.SeriesCPUPower, openPower, "an administrator may make /sys/class/powercap/*/energy_uj readable"},
		{record.SeriesMemAvail, openMeminfo, "/proc/meminfo"},
		{record.SeriesSwapIn, openVMStat, "/proc/vmstat"},
		{record.SeriesMemStall, func(t tree) (source, record.Unknown) { return openPressure(t, "memory", record.SeriesMemStall) }, "the kernel was built or started without pressure figures"},
		{"cpu.stall", func(t tree) (source, record.Unknown) { return openPressure(t, "cpu", "cpu.stall") }, "the kernel was built or started without pressure figures"},
		{"io.stall", func(t tree) (source, record.Unknown) { return openPressure(t, "io", "io.stall") }, "the kernel was built or started without pressure figures"},
		{record.SeriesDiskRead, openDisks, "no drive of its own"},
		{record.SeriesNetRecv, openNetwork, "no network card"},
	} {
		s, why := q.open(t)
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
