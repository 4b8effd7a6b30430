package sensor

import (
	"capd.example/record"
	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
)

// Open opens what is sampled of the machine but its graphics cards; what is
// missing is a gap. load tells how many processors were busy at the latest sample. With
// windows it is the machine that answers there, else a Linux machine below the tree.
func Open(t tree.Tree, windows winsys.Asker) (list []Source, load func() float64, gaps []record.Gap) {
	if windows != nil {
		return openWindowsSources(windows)
	}
	return openTreeSources(t)
}

const noPressure = "the kernel was built or started without pressure figures"

// openTreeSources opens a Linux machine's sources.
func openTreeSources(t tree.Tree) (list []Source, load func() float64, gaps []record.Gap) {
	add := func(name string, s Source, why record.Unknown, hint string) {
		if why != "" {
			gaps = append(gaps, record.Gap{Name: name, Why: why, Text: hint})
			return
		}
		list = append(list, s)
	}
	load = func() float64 { return 0 }
	if s, err := openCPU(t); err != nil {
		add(record.SeriesBusy, nil, tree.Reason(err), "/proc/stat")
	} else {
		list, load = append(list, s), s.load
	}
	for _, q := range []struct {
		name string
		open func(tree.Tree) (Source, record.Unknown)
		hint string
		turn turn
	}{
		{record.SeriesCoreClock, openClocks, "the kernel offers no clock control, as in a virtual machine", always},
		{record.SeriesCPUTemp, openTemperatures, "no sensor chip of the processor (k10temp, zenpower, coretemp)", always},
		{record.SeriesCPUThrottle, openThrottle, "only Intel processors count this", always},
		{record.SeriesCPUPower, openPower, "an administrator may make /sys/class/powercap/*/energy_uj readable", always},
		{record.SeriesMemAvail, openMeminfo, "/proc/meminfo", turn{4, 1}},
		{record.SeriesSwapIn, openVMStat, "/proc/vmstat", turn{4, 0}},
		{record.SeriesMemStall, func(t tree.Tree) (Source,
			record.Unknown) {
			return openPressure(t, "memory", record.SeriesMemStall)
		}, noPressure, turn{4, 2}},
		{"cpu.stall", func(t tree.Tree) (Source, record.Unknown) { return openPressure(t, "cpu", "cpu.stall") }, noPressure,
			turn{4, 2}},
		{"io.stall", func(t tree.Tree) (Source, record.Unknown) { return openPressure(t, "io", "io.stall") }, noPressure,
			turn{4, 3}},
		{record.SeriesDiskRead, openDisks, "no drive of its own", always},
		{record.SeriesNetRecv, openNetwork, "no network card", turn{2, 1}},
	} {
		s, why := q.open(t)
		if why == "" {
			s = q.turn.of(s)
		}
		add(q.name, s, why, q.hint)
	}
	return list, load, gaps
}
