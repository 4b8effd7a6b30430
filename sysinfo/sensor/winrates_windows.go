package sensor

import (
	"time"
	"unsafe"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

var (
	procIfTable      = winsys.Iphlpapi.NewProc("GetIfTable2")
	procIfEntry      = winsys.Iphlpapi.NewProc("GetIfEntry2")
	procFreeMib      = winsys.Iphlpapi.NewProc("FreeMibTable")
	procPowerRequest = winsys.Powrprof.NewProc("CallNtPowerInformation")
)

// winNetwork reads the counters of the real network cards.
type winNetwork struct {
	clock
	cards   []uint64
	row     [ifRowSize / 8]uint64
	in, out counter
}

func openWinNetwork() (Source, record.Unknown) {
	if procIfTable.Find() != nil || procIfEntry.Find() != nil {
		return nil, record.Unsupported
	}
	var table *byte
	if rc, _, _ := procIfTable.Call(uintptr(unsafe.Pointer(&table))); rc != 0 || table == nil {
		return nil, record.Broken
	}
	n := *(*uint32)(unsafe.Pointer(table))
	s := &winNetwork{cards: hardwareRows(unsafe.Slice(table, 8+int(min(n, 1024))*ifRowSize))}
	procFreeMib.Call(uintptr(unsafe.Pointer(table)))
	if len(s.cards) == 0 {
		return nil, record.Absent
	}
	return s, ""
}

func (s *winNetwork) Label() string { return "net" }
func (s *winNetwork) Close()        {}

func (s *winNetwork) Columns() []Column {
	return []Column{{record.SeriesNetRecv, "B/s", "GetIfEntry2"}, {record.SeriesNetSend, "B/s", "GetIfEntry2"}}
}

func (s *winNetwork) Read(row []float64, now time.Time) {
	elapsed := s.since(now)
	var in, out uint64
	bytes := unsafe.Slice((*byte)(unsafe.Pointer(&s.row[0])), ifRowSize)
	for _, luid := range s.cards {
		clear(s.row[:])
		s.row[0] = luid
		if rc, _, _ := procIfEntry.Call(uintptr(unsafe.Pointer(&s.row[0]))); rc != 0 {
			continue // taken away: the sum falls once, which is no rate
		}
		if c, ok := parseIfRow(bytes); ok {
			in, out = in+c.received, out+c.sent
		}
	}
	row[0], row[1] = s.in.rate(in, elapsed, 1), s.out.rate(out, elapsed, 1)
}

// winClocks reads what the power manager says of each processor's clock.
type winClocks struct {
	buf   []byte
	cores int
}

func openWinClocks(cores int) (Source, record.Unknown) {
	if cores == 0 || procPowerRequest.Find() != nil {
		return nil, record.Unsupported
	}
	s := &winClocks{buf: make([]byte, cores*powerInfoSize), cores: cores}
	row := make([]float64, cores)
	if !s.ask() || parseClocks(s.buf, row) == 0 {
		return nil, record.Unsupported
	}
	for _, mhz := range row {
		if mhz > 0 {
			return s, ""
		}
	}
	return nil, record.Unsupported
}

func (s *winClocks) ask() bool {
	const processorInformation = 11
	rc, _, _ := procPowerRequest.Call(processorInformation, 0, 0, uintptr(unsafe.Pointer(&s.buf[0])), uintptr(len(s.buf)))
	return rc == 0
}

func (s *winClocks) Label() string { return record.SeriesCoreClock }
func (s *winClocks) Close()        {}

func (s *winClocks) Columns() []Column {
	cols := make([]Column, s.cores)
	for i := range cols {
		cols[i] = Column{record.Numbered(record.SeriesCoreClock, i), "MHz", "CallNtPowerInformation"}
	}
	return cols
}

func (s *winClocks) Read(row []float64, _ time.Time) {
	if s.ask() {
		parseClocks(s.buf, row)
	}
}
