package sysinfo

import (
	"time"

	"capd.example/record"
)

// nvmlSource is a card that NVIDIA's library tells of.
type nvmlSource struct {
	gauges *nvmlGauges
	n      int // of the card among all
}

func openNVMLCard(lib *nvml, n, index int) *nvmlSource {
	return &nvmlSource{gauges: newNVMLGauges(lib, index), n: n}
}

func (s *nvmlSource) label() string { return record.Numbered("gpu.N", s.n) }
func (s *nvmlSource) close()        {}

func (s *nvmlSource) columns() []column {
	cols := make([]column, gaugeCount)
	for at, q := range map[int][2]string{
		gaugeTemperature: {record.SeriesGPUTemp, "C"}, gaugeClock: {record.SeriesGPUClock, "MHz"}, gaugeMemoryClock: {record.SeriesGPUMemClk, "MHz"},
		gaugePower: {record.SeriesGPUPower, "W"}, gaugeBusy: {record.SeriesGPUBusy, "%"}, gaugeMemoryUsed: {record.SeriesGPUMemUsed, "B"}, gaugeReasons: {record.SeriesGPUReasons, ""},
	} {
		cols[at] = column{record.Numbered(q[0], s.n), q[1], "nvml"}
	}
	return cols
}

func (s *nvmlSource) read(row []float64, now time.Time) { s.gauges.read(row, now) }
