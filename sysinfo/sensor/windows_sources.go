package sensor

import (
	"encoding/binary"
	"math"
	"strings"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/registry"
	"capd.example/sysinfo/winsys"
)

// openWindowsSources opens what Windows tells without administrator rights.
func openWindowsSources(ask winsys.Asker) (list []Source, load func() float64, gaps []record.Gap) {
	load = func() float64 { return 0 }
	cores := 0
	if s := openWinCPU(ask); s != nil {
		list, load, cores = append(list, s), s.load, len(s.now)
	} else {
		gaps = append(gaps, record.Gap{Name: record.SeriesBusy, Why: record.Broken, Text: "NtQuerySystemInformation"})
	}
	list = append(list, &winMemory{ask: ask, status: make([]byte, 64)})
	counters, missing := openCounters(ask)
	if counters != nil {
		list = append(list, counters)
	}
	gaps = append(gaps, missing...)
	gaps = append(gaps,
		record.Gap{Name: record.SeriesCPUTemp, Why: record.Unsupported,
			Text: "Windows tells no processor temperature without a driver of its own"},
		record.Gap{Name: record.SeriesCPUThrottle, Why: record.Unsupported, Text: "see cpu.performance and cpu.limit"})
	if s, why := openWinNetwork(ask); why == "" {
		list = append(list, turn{2, 1}.of(s))
	} else {
		gaps = append(gaps, record.Gap{Name: record.SeriesNetRecv, Why: why, Text: "GetIfTable2"})
	}
	if s, why := openWinClocks(ask, cores); why == "" {
		list = append(list, s)
	} else {
		gaps = append(gaps, record.Gap{Name: record.SeriesCoreClock, Why: why, Text: "CallNtPowerInformation"})
	}
	if s, why := openWinZones(ask); why == "" {
		list = append(list, turn{4, 3}.of(s))
	} else {
		gaps = append(gaps, record.Gap{Name: "zone.0.temp", Why: why, Text: "counter Thermal Zone Information"})
	}
	return list, load, gaps
}

// winCPU reads the times of all processors, group by group: a group has 64 at most.
type winCPU struct {
	ask       winsys.Asker
	groups    []winGroup
	now, last []winCPUTime
	busy      float64
	busyTotal float64
	seen      bool
}

type winGroup struct {
	number     uint64
	buf        []byte
	from, upto int // its processors among all
}

// mostGroups is more than any Windows has.
const mostGroups = 32

func openWinCPU(ask winsys.Asker) *winCPU {
	s := &winCPU{ask: ask}
	for g := range uint64(mostGroups) {
		b, status := winsys.Whole(ask, winsys.Question{Call: winsys.ProcessorTimes, A: g}, make([]byte, 64*winCPUTimeSize))
		n := len(b) / winCPUTimeSize
		if status != winsys.OK || n == 0 {
			break
		}
		s.groups = append(s.groups, winGroup{g, make([]byte, n*winCPUTimeSize), len(s.now), len(s.now) + n})
		s.now = append(s.now, make([]winCPUTime, n)...)
	}
	if len(s.groups) == 0 {
		return nil
	}
	s.last = make([]winCPUTime, len(s.now))
	return s
}

// fetch returns how many processors answered.
func (s *winCPU) fetch() (all int) {
	for _, g := range s.groups {
		n, status := s.ask.Ask(winsys.Question{Call: winsys.ProcessorTimes, A: g.number}, g.buf)
		if status == winsys.OK && n <= len(g.buf) {
			all += parseCPUTimes(g.buf[:n], s.now[g.from:g.upto])
		}
	}
	return all
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
		before := s.last[i]
		di, dt := t.idle-before.idle, t.kernel+t.user-before.kernel-before.user
		s.last[i] = t
		// A time that went back is another processor's or nonsense.
		if !s.seen || dt == 0 || di > dt || t.idle < before.idle || t.kernel < before.kernel || t.user < before.user {
			continue
		}
		row[2+i] = min(100, 100*float64(dt-di)/float64(dt)) // rounding may go past it
		idle, total = idle+di, total+dt
	}
	if s.seen && total > 0 {
		row[1] = min(100, 100*float64(total-idle)/float64(total))
		s.busy = row[1] / 100 * float64(len(s.now))
		s.busyTotal += float64(total-idle) / 1e7
	}
	row[0] = s.busyTotal
	s.seen = true
}

func (s *winCPU) load() float64 { return s.busy }
func (s *winCPU) Close()        {}

// winMemory reads MEMORYSTATUSEX: physical memory at 8, what is available of it at 16.
type winMemory struct {
	ask    winsys.Asker
	status []byte
}

func (s *winMemory) Label() string { return record.SeriesMemAvail }
func (s *winMemory) Close()        {}

func (s *winMemory) Columns() []Column {
	return []Column{{record.SeriesMemAvail, "B", "GlobalMemoryStatusEx"}}
}

func (s *winMemory) Read(row []float64, _ time.Time) {
	if !winsys.Exactly(s.ask, winsys.Question{Call: winsys.MemoryStatus}, s.status) {
		return
	}
	all, free := binary.LittleEndian.Uint64(s.status[8:]), binary.LittleEndian.Uint64(s.status[16:])
	if free <= all && all < 1<<50 {
		row[0] = float64(free)
	}
}

// winCounters reads performance counters through one query. Which exist differs from
// machine to machine; names are English whatever the system's language.
type winCounters struct {
	ask      winsys.Asker
	counters []winCounter
	value    [16]byte // PDH_FMT_COUNTERVALUE: status, the number at 8
}

type winCounter struct {
	path  string
	col   Column
	scale float64
	least float64 // what no counter of this kind can be below
	most  float64 // or above
}

// counterQuery is the number of our query among those of the machine.
const counterQuery = 1

const (
	leastClock = 1      // MHz
	mostClock  = 10_000 // MHz
	mostRate   = 1e12   // bytes or pages per second
)

func openCounters(ask winsys.Asker) (*winCounters, []record.Gap) {
	s := &winCounters{ask: ask}
	var gaps []record.Gap
	base, why := registry.Reader{Asker: ask}.Number(`HKLM\HARDWARE\DESCRIPTION\System\CentralProcessor\0`, "~MHz")
	if why != "" || base > mostClock {
		base = 0
	}
	for _, q := range []struct {
		name, unit, path string
		scale            float64
		least, most      float64
	}{
		{"cpu.performance", "%", `\Processor Information(_Total)\% Processor Performance`, 1, 0, 1000},
		{record.SeriesCPULimit, "%", `\Processor Information(_Total)\% Performance Limit`, 1, 0, 1000},
		{record.SeriesCPUClock, "MHz", `\Processor Information(_Total)\% Processor Performance`, float64(base) / 100, leastClock, mostClock},
		{record.SeriesCPUPower, "W", `\Energy Meter(RAPL_Package0_PKG)\Power`, 1e-3, 0, 5000},
		{record.SeriesSwapIn, "pages/s", `\Memory\Pages Input/sec`, 1, 0, mostRate},
		{record.SeriesDiskRead, "B/s", `\PhysicalDisk(_Total)\Disk Read Bytes/sec`, 1, 0, mostRate},
		{record.SeriesDiskWrite, "B/s", `\PhysicalDisk(_Total)\Disk Write Bytes/sec`, 1, 0, mostRate},
	} {
		status := ask0(ask, winsys.Question{Call: winsys.CounterAdd, A: counterQuery, Text: q.path})
		if status != winsys.OK || q.scale == 0 {
			why := registry.Why(status)
			if why == "" || why == record.Broken {
				why = record.Absent
			}
			gaps = append(gaps, record.Gap{Name: q.name, Why: why, Text: "counter " + strings.TrimPrefix(q.path, `\`)})
			continue
		}
		s.counters = append(s.counters, winCounter{q.path, Column{q.name, q.unit, q.path}, q.scale, q.least, q.most})
	}
	if len(s.counters) == 0 {
		return nil, gaps
	}
	ask0(ask, winsys.Question{Call: winsys.CounterCollect, A: counterQuery}) // a rate needs two looks
	return s, gaps
}

// ask0 asks what has no answer but a status.
func ask0(ask winsys.Asker, q winsys.Question) winsys.Status {
	_, s := ask.Ask(q, nil)
	return s
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
	if ask0(s.ask, winsys.Question{Call: winsys.CounterCollect, A: counterQuery}) != winsys.OK {
		return
	}
	for i, c := range s.counters {
		q := winsys.Question{Call: winsys.CounterValue, A: counterQuery, B: winsys.FormatDouble, Text: c.path}
		if !winsys.Exactly(s.ask, q, s.value[:]) || binary.LittleEndian.Uint32(s.value[:]) > 1 {
			continue // neither valid data nor new data
		}
		v := math.Float64frombits(binary.LittleEndian.Uint64(s.value[8:])) * c.scale
		if v >= c.least && v <= c.most {
			row[i] = v
		}
	}
}

func (s *winCounters) Close() {
	ask0(s.ask, winsys.Question{Call: winsys.CounterClose, A: counterQuery})
}
