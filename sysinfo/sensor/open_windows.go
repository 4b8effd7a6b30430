package sensor

import (
	"strings"
	"time"
	"unsafe"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
	"golang.org/x/sys/windows"
)

var (
	procMemoryStatus = winsys.Kernel32.NewProc("GlobalMemoryStatusEx")
	processorTimes   = int32(windows.SystemProcessorPerformanceInformation)
)

// openWindowsSources opens what Windows tells without administrator rights.
func openWindowsSources() (list []Source, load func() float64, gaps []record.Gap) {
	load = func() float64 { return 0 }
	cores := 0
	if s := openWinCPU(); s != nil {
		list, load, cores = append(list, s), s.load, len(s.now)
	} else {
		gaps = append(gaps, record.Gap{Name: record.SeriesBusy, Why: record.Broken, Text: "NtQuerySystemInformation"})
	}
	list = append(list, &winMemory{})
	counters, missing := openCounters()
	if counters != nil {
		list = append(list, counters)
	}
	gaps = append(gaps, missing...)
	gaps = append(gaps,
		record.Gap{Name: record.SeriesCPUTemp, Why: record.Unsupported,
			Text: "Windows tells no processor temperature without a driver of its own"},
		record.Gap{Name: record.SeriesCPUThrottle, Why: record.Unsupported, Text: "see cpu.performance and cpu.limit"},
		record.Gap{Name: record.SeriesCPUPower, Why: record.Unsupported,
			Text: "Windows tells no processor power without a driver of its own"})
	if s, why := openWinNetwork(); why == "" {
		list = append(list, turn{2, 1}.of(s))
	} else {
		gaps = append(gaps, record.Gap{Name: record.SeriesNetRecv, Why: why, Text: "GetIfTable2"})
	}
	if s, why := openWinClocks(cores); why == "" {
		list = append(list, s)
	} else {
		gaps = append(gaps, record.Gap{Name: record.SeriesCoreClock, Why: why, Text: "CallNtPowerInformation"})
	}
	return list, load, gaps
}

// winCPU reads the times of all processors.
type winCPU struct {
	buf       []byte
	now, last []winCPUTime
	busy      float64
	busyTotal float64
	seen      bool
}

func openWinCPU() *winCPU {
	s := &winCPU{buf: make([]byte, 1024*winCPUTimeSize)}
	s.now = make([]winCPUTime, 1024)
	n := s.fetch()
	if n == 0 {
		return nil
	}
	s.now, s.last = s.now[:n], make([]winCPUTime, n)
	return s
}

func (s *winCPU) fetch() int {
	var n uint32
	if windows.NtQuerySystemInformation(processorTimes, unsafe.Pointer(&s.buf[0]), uint32(len(s.buf)), &n) != nil {
		return 0
	}
	return parseCPUTimes(s.buf[:n], s.now)
}

func (s *winCPU) Label() string { return "cpu" }

func (s *winCPU) Columns() []Column {
	const source = "NtQuerySystemInformation"
	cols := []Column{{ColumnBusySeconds, "s", source}, {record.SeriesBusy, "%", source}}
	for i := range s.now {
		cols = append(cols, Column{record.Numbered(record.SeriesCoreBusy, i), "%", source})
	}
	return cols
}

func (s *winCPU) Read(row []float64, _ time.Time) {
	if s.fetch() != len(s.now) {
		return
	}
	var idle, total uint64
	for i, t := range s.now {
		di, dt := t.idle-s.last[i].idle, t.kernel+t.user-s.last[i].kernel-s.last[i].user
		s.last[i] = t
		if !s.seen || dt == 0 || di > dt {
			continue
		}
		row[2+i] = 100 * float64(dt-di) / float64(dt)
		idle, total = idle+di, total+dt
	}
	if s.seen && total > 0 {
		row[1] = 100 * float64(total-idle) / float64(total)
		s.busy = row[1] / 100 * float64(len(s.now))
		s.busyTotal += float64(total-idle) / 1e7
	}
	row[0] = s.busyTotal
	s.seen = true
}

func (s *winCPU) load() float64 { return s.busy }
func (s *winCPU) Close()        {}

// winMemory reads MEMORYSTATUSEX: 64 bytes, available physical memory at 16.
type winMemory struct{ status [8]uint64 }

func (s *winMemory) Label() string { return record.SeriesMemAvail }
func (s *winMemory) Close()        {}

func (s *winMemory) Columns() []Column {
	return []Column{{record.SeriesMemAvail, "B", "GlobalMemoryStatusEx"}}
}

func (s *winMemory) Read(row []float64, _ time.Time) {
	s.status[0] = 64 // the structure's length, then the load in percent
	if ok, _, _ := procMemoryStatus.Call(uintptr(unsafe.Pointer(&s.status[0]))); ok != 0 {
		row[0] = float64(s.status[2])
	}
}

// winCounters reads performance counters through one query. Which exist differs from
// machine to machine; names are English whatever the system's language.
type winCounters struct {
	query    uintptr
	counters []winCounter
	value    struct {
		status uint32
		_      uint32
		number float64
	}
}

type winCounter struct {
	handle uintptr
	col    Column
	scale  float64
}

func openCounters() (*winCounters, []record.Gap) {
	s := &winCounters{}
	if winsys.PDH.Load() != nil || winsys.PdhAdd.Find() != nil {
		return nil, []record.Gap{{Name: "counters", Why: record.Absent, Text: "pdh.dll"}}
	}
	if rc, _, _ := winsys.PdhOpen.Call(0, 0, uintptr(unsafe.Pointer(&s.query))); rc != 0 {
		return nil, []record.Gap{{Name: "counters", Why: record.Broken, Text: "PdhOpenQuery"}}
	}
	var gaps []record.Gap
	base, why := winsys.Registry{}.Number(`HKLM\HARDWARE\DESCRIPTION\System\CentralProcessor\0`, "~MHz")
	if why != "" {
		base = 0
	}
	for _, q := range []struct {
		name, unit, path string
		scale            float64
	}{
		{"cpu.performance", "%", `\Processor Information(_Total)\% Processor Performance`, 1},
		{"cpu.limit", "%", `\Processor Information(_Total)\% Performance Limit`, 1},
		{record.SeriesCPUClock, "MHz", `\Processor Information(_Total)\% Processor Performance`, float64(base) / 100},
		{record.SeriesSwapIn, "pages/s", `\Memory\Pages Input/sec`, 1},
		{record.SeriesDiskRead, "B/s", `\PhysicalDisk(_Total)\Disk Read Bytes/sec`, 1},
		{record.SeriesDiskWrite, "B/s", `\PhysicalDisk(_Total)\Disk Write Bytes/sec`, 1},
	} {
		path, _ := windows.UTF16PtrFromString(q.path)
		var h uintptr
		if rc, _, _ := winsys.PdhAdd.Call(s.query, uintptr(unsafe.Pointer(path)), 0, uintptr(unsafe.Pointer(&h))); rc != 0 ||
			q.scale == 0 {
			gaps = append(gaps, record.Gap{Name: q.name, Why: record.Absent, Text: "counter " + strings.TrimPrefix(q.path, `\`)})
			continue
		}
		s.counters = append(s.counters, winCounter{h, Column{q.name, q.unit, q.path}, q.scale})
	}
	winsys.PdhCollect.Call(s.query) // a rate needs two looks
	return s, gaps
}

func (s *winCounters) Label() string { return "counters" }

func (s *winCounters) Columns() []Column {
	cols := make([]Column, len(s.counters))
	for i, c := range s.counters {
		cols[i] = c.col
	}
	return cols
}

func (s *winCounters) Read(row []float64, _ time.Time) {
	// A number of floating point, not capped at 100: a processor above its base clock is at
	// 120 to 180 % of it (Microsoft, "PdhGetFormattedCounterValue function", PDH_FMT_NOCAP100).
	const double = 0x200 | 0x8000
	if rc, _, _ := winsys.PdhCollect.Call(s.query); rc != 0 {
		return
	}
	for i, c := range s.counters {
		rc, _, _ := winsys.PdhValue.Call(c.handle, double, 0, uintptr(unsafe.Pointer(&s.value)))
		if rc == 0 && s.value.status <= 1 { // valid, with old or new data
			row[i] = s.value.number * c.scale
		}
	}
}

func (s *winCounters) Close() { winsys.PdhClose.Call(s.query) }
