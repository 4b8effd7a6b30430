package sensor

import (
	"math"
	"strings"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/registry"
	"capd.example/sysinfo/winsys"
)

// winArray reads counters of which every instance counts. A wildcard stands for the instances
// that there were when it was added: each look reads it and adds it anew, which is also the
// start of the next mean.
type winArray struct {
	ask   winsys.Asker
	query uint64
	paths []string
	buf   []byte
}

// add adds all counters and looks at them once; false where one of them is not there.
func (s *winArray) add() bool {
	for _, path := range s.paths {
		if ask0(s.ask, winsys.Question{Call: winsys.CounterAdd, A: s.query, Text: path}) != winsys.OK {
			return false
		}
	}
	return ask0(s.ask, winsys.Question{Call: winsys.CounterCollect, A: s.query}) == winsys.OK
}

func (s *winArray) again() {
	for _, path := range s.paths {
		ask0(s.ask, winsys.Question{Call: winsys.CounterRemove, A: s.query, Text: path})
	}
	s.add()
}

func (s *winArray) collect() bool {
	return ask0(s.ask, winsys.Question{Call: winsys.CounterCollect, A: s.query}) == winsys.OK
}

func (s *winArray) each(n int, format uint64, visit func(winsys.CounterItem)) {
	q := winsys.Question{Call: winsys.CounterArray, A: s.query, B: format, Text: s.paths[n]}
	b, status := winsys.Whole(s.ask, q, s.buf)
	if status != winsys.OK {
		return
	}
	s.buf = b[:cap(b)]
	winsys.EachCounter(b, visit)
}

func (s *winArray) Close() { ask0(s.ask, winsys.Question{Call: winsys.CounterClose, A: s.query}) }

// winLoads reads how busy the cards' 3D engines are and how much of their memory is in use.
type winLoads struct {
	winArray
	cards []uint64 // their LUIDs
	first int      // number of the first card among all
	busy  map[string]float64
	began bool
}

const (
	loadQuery     = 3
	zoneQuery     = 4
	engines3D     = `\GPU Engine(*engtype_3D)\Utilization Percentage`
	adapterMemory = `\GPU Adapter Memory(*)\Dedicated Usage`
	zoneKelvin    = `\Thermal Zone Information(*)\High Precision Temperature`
)

func (s *winLoads) Label() string { return "loads of the cards" }

func (s *winLoads) Read(row []float64, _ time.Time) {
	if !s.collect() {
		s.again()
		return
	}
	clear(s.busy)
	at := func(name string) int {
		luid, ok := winsys.InstanceLUID(name)
		for i, card := range s.cards {
			if ok && card == luid {
				return i
			}
		}
		return -1
	}
	if s.began { // a share of no time is none
		for i := range s.cards {
			row[2*i] = 0
		}
	}
	s.each(0, winsys.FormatDouble, func(c winsys.CounterItem) {
		i := at(c.Name)
		v := math.Float64frombits(c.Value)
		if i < 0 || !s.began || !(v >= 0 && v <= 200) {
			return
		}
		// The sum over the programs is an engine's load; the busiest engine is the card's.
		engine := c.Name[max(0, strings.Index(c.Name, "_luid_")):]
		s.busy[engine] = min(100, s.busy[engine]+v)
		row[2*i] = max(row[2*i], s.busy[engine])
	})
	s.each(1, winsys.FormatLarge, func(c winsys.CounterItem) {
		if i := at(c.Name); i >= 0 && c.Value < 1<<50 {
			if math.IsNaN(row[2*i+1]) {
				row[2*i+1] = 0
			}
			row[2*i+1] += float64(c.Value)
		}
	})
	s.began = true
	s.again()
}

func (s *winLoads) Columns() (cols []Column) {
	for i := range s.cards {
		cols = append(cols, Column{record.Numbered(record.SeriesGPUBusy, s.first+i), "%", engines3D},
			Column{record.Numbered(record.SeriesGPUMemUsed, s.first+i), "B", adapterMemory})
	}
	return cols
}

// winZones reads the thermal zones that the board's firmware tells of. Which part a zone is
// of, nobody says: the numbers are good for a trend.
type winZones struct {
	winArray
	zones int
}

func openWinZones(ask winsys.Asker) (Source, record.Unknown) {
	s := &winZones{winArray: winArray{ask: ask, query: zoneQuery, paths: []string{zoneKelvin}}}
	if !s.add() {
		return nil, record.Absent
	}
	s.each(0, winsys.FormatDouble, func(winsys.CounterItem) { s.zones = min(s.zones+1, 8) })
	if s.zones == 0 {
		s.Close()
		return nil, record.Absent
	}
	return s, ""
}

func (s *winZones) Label() string { return "thermal zones" }

func (s *winZones) Columns() (cols []Column) {
	for i := range s.zones {
		cols = append(cols, Column{record.Numbered("zone.N.temp", i), "C", zoneKelvin})
	}
	return cols
}

func (s *winZones) Read(row []float64, _ time.Time) {
	if !s.collect() {
		return
	}
	i := 0
	s.each(0, winsys.FormatDouble, func(c winsys.CounterItem) {
		t := math.Float64frombits(c.Value)/10 - 273.15
		if i < len(row) && t > -50 && t < 150 {
			row[i] = t
		}
		i++
	})
}

// winGauges is a card that the graphics kernel tells of.
type winGauges struct {
	ask        winsys.Asker
	luid       uint64
	n          int // of the card among all
	perf, node []byte
}

func openWinGauges(ask winsys.Asker, luid uint64, n int) (Source, record.Unknown) {
	s := &winGauges{ask: ask, luid: luid, n: n, perf: make([]byte, winsys.PerfSize), node: make([]byte, winsys.NodeSize)}
	_, status := ask.Ask(winsys.Question{Call: winsys.Adapter, A: luid, B: winsys.AdapterPerf}, s.perf)
	if status != winsys.OK {
		return nil, registry.Why(status)
	}
	if !s.askNode() {
		s.node = s.node[:winsys.NodeSizeOld]
	}
	return s, ""
}

func (s *winGauges) askNode() bool {
	clear(s.node)
	return winsys.Exactly(s.ask, winsys.Question{Call: winsys.Adapter, A: s.luid, B: winsys.AdapterNode}, s.node)
}

func (s *winGauges) Label() string { return record.Numbered("gpu.N", s.n) }
func (s *winGauges) Close()        {}

func (s *winGauges) Columns() []Column {
	const source = "D3DKMTQueryAdapterInfo"
	return []Column{
		{record.Numbered(record.SeriesGPUTemp, s.n), "C", source},
		{record.Numbered(record.SeriesGPUClock, s.n), "MHz", source},
		{record.Numbered(record.SeriesGPUMemClk, s.n), "MHz", source},
		{record.Numbered(record.SeriesGPUFan, s.n), "rpm", source},
		{record.Numbered(record.SeriesGPULimit, s.n), "%", source},
	}
}

func (s *winGauges) Read(row []float64, _ time.Time) {
	clear(s.perf)
	var g winsys.Gauges
	if winsys.Exactly(s.ask, winsys.Question{Call: winsys.Adapter, A: s.luid, B: winsys.AdapterPerf}, s.perf) {
		g.ReadPerf(s.perf)
	}
	if s.askNode() {
		g.ReadNode(s.node)
	}
	for i, v := range []struct {
		value float64
		told  bool
	}{{g.Temperature, g.HasTemp}, {g.Clock, g.HasClock}, {g.MemoryClock, g.HasMemory}, {g.Fan, g.HasFan},
		{g.PowerShare, g.HasPower}} {
		if v.told {
			row[i] = v.value
		}
	}
}

// openWinCards opens what the graphics kernel and the counters tell of the cards that no
// vendor's library tells of; luids has 0 for the others.
func openWinCards(ask winsys.Asker, luids []uint64) (list []Source, gaps []record.Gap) {
	var cards []int
	for n, luid := range luids {
		if luid == 0 {
			continue
		}
		cards = append(cards, n)
		s, why := openWinGauges(ask, luid, n)
		if why != "" {
			gaps = append(gaps, record.Gap{Name: record.Numbered("gpu.N", n), Why: why, Text: "D3DKMTQueryAdapterInfo"})
		} else {
			list = append(list, s)
		}
		gaps = append(gaps, record.Gap{Name: record.Numbered(record.SeriesGPUReasons, n), Why: record.Unsupported,
			Text: "Windows tells no reasons; falling clocks near the card's own warning temperature stand in"})
	}
	for at, n := range cards {
		// One query each: a card that is counted stands beside those of the vendor's library.
		query := winArray{ask: ask, query: loadQuery + 16*uint64(at+1), paths: []string{engines3D, adapterMemory}}
		s := &winLoads{winArray: query,
			cards: []uint64{luids[n]}, first: n, busy: map[string]float64{}}
		if !s.add() {
			gaps = append(gaps, record.Gap{Name: record.Numbered(record.SeriesGPUBusy, n), Why: record.Absent,
				Text: "counter GPU Engine"})
			s.Close()
			continue
		}
		list = append(list, turn{4, (2 + at) % 4}.of(s))
	}
	return list, gaps
}
