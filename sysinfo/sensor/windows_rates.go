package sensor

import (
	"time"

	"capd.example/record"
	"capd.example/sysinfo/registry"
	"capd.example/sysinfo/winsys"
)

// winNetwork reads the counters of the real network cards.
type winNetwork struct {
	clock
	ask     winsys.Asker
	cards   []uint64
	row     []byte
	in, out counter
}

func openWinNetwork(ask winsys.Asker) (Source, record.Unknown) {
	room := make([]byte, winsys.IfTableRow+16*winsys.IfRowSize)
	table, status := winsys.Whole(ask, winsys.Question{Call: winsys.Interfaces}, room)
	if why := registry.Why(status); why != "" {
		return nil, why
	}
	s := &winNetwork{ask: ask, cards: hardwareRows(table), row: make([]byte, winsys.IfRowSize)}
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
	for _, luid := range s.cards {
		if !winsys.Exactly(s.ask, winsys.Question{Call: winsys.Interface, A: luid}, s.row) {
			continue // taken away: the sum falls once, which is no rate
		}
		if c, ok := parseIfRow(s.row); ok {
			in, out = in+c.received, out+c.sent
		}
	}
	for i, v := range []float64{s.in.rate(in, elapsed, 1), s.out.rate(out, elapsed, 1)} {
		if v <= mostRate { // a card's count that is none makes one that no card has
			row[i] = v
		}
	}
}

// winClocks reads what the power manager says of each processor's clock.
type winClocks struct {
	ask   winsys.Asker
	buf   []byte
	cores int
}

func openWinClocks(ask winsys.Asker, cores int) (Source, record.Unknown) {
	if cores == 0 {
		return nil, record.Unsupported
	}
	s := &winClocks{ask: ask, buf: make([]byte, cores*winsys.CoreSize), cores: cores}
	row := make([]float64, cores)
	status := s.fetch()
	if status != winsys.OK {
		return nil, registry.Why(status)
	}
	parseClocks(s.buf, row)
	for _, mhz := range row {
		if mhz > 0 {
			return s, ""
		}
	}
	return nil, record.Unsupported
}

func (s *winClocks) fetch() winsys.Status {
	clear(s.buf)
	n, status := s.ask.Ask(winsys.Question{Call: winsys.PowerOfCores}, s.buf)
	if status == winsys.OK && n != len(s.buf) {
		return winsys.Failed
	}
	return status
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
	if s.fetch() == winsys.OK {
		parseClocks(s.buf, row)
	}
}
