package sensor

import (
	"time"

	"capd.example/record"
	"capd.example/sysinfo/nvml"
)

// nvmlSource is a card that NVIDIA's library tells of.
type nvmlSource struct {
	gauges *nvml.Gauges
	n      int // of the card among all
}

func openNVMLCard(lib *nvml.Library, n, index int) *nvmlSource {
	return &nvmlSource{gauges: nvml.NewGauges(lib, index), n: n}
}

func (s *nvmlSource) Label() string { return record.Numbered("gpu.N", s.n) }
func (s *nvmlSource) Close()        {}

func (s *nvmlSource) Columns() []Column {
	cols := make([]Column, nvml.GaugeCount)
	for at, q := range map[int][2]string{
		nvml.GaugeTemperature: {record.SeriesGPUTemp, "C"}, nvml.GaugeClock: {record.SeriesGPUClock, "MHz"},
		nvml.GaugeMemoryClock: {record.SeriesGPUMemClk, "MHz"},
		nvml.GaugePower:       {record.SeriesGPUPower, "W"}, nvml.GaugeBusy: {record.SeriesGPUBusy, "%"},
		nvml.GaugeMemoryUsed: {record.SeriesGPUMemUsed, "B"}, nvml.GaugeReasons: {record.SeriesGPUReasons, ""},
	} {
		cols[at] = Column{record.Numbered(q[0], s.n), q[1], "nvml"}
	}
	return cols
}

func (s *nvmlSource) Read(row []float64, now time.Time) { s.gauges.Read(row, now) }
