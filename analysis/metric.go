package analysis

import (
	"math"

	"capd.example/internal/critical"
	"capd.example/record"
)

// Metric is one figure of a pass that is averaged over the passes of a cell.
type Metric struct {
	Name string // as in JSON
	Text string // for people
	Of   func(record.Metrics) float64
	Rate bool // frames per second: more is better; else a frame time in ms
}

// The names of the two metrics that every table shows.
const (
	Average = critical.Average
	Low1    = critical.Low1
)

// Metrics lists what is averaged, the average frame rate and the 1% low first.
var Metrics = []Metric{
	{Average, "average FPS", func(m record.Metrics) float64 { return m.AvgFPS }, true},
	{Low1, "1% low FPS", func(m record.Metrics) float64 { return m.Low1FPS }, true},
	{"low01_fps", "0.1% low FPS", func(m record.Metrics) float64 { return m.Low01FPS }, true},
	{"low1_time_fps", "1% low by time FPS", func(m record.Metrics) float64 { return m.Low1TimeFPS }, true},
	{"p99_fps", "99th percentile FPS", func(m record.Metrics) float64 { return m.P99FPS }, true},
	{"median_ms", "median frame time ms", func(m record.Metrics) float64 { return m.MedianMS }, false},
	{"p95_ms", "95th percentile ms", func(m record.Metrics) float64 { return m.P95MS }, false},
	{"p99_ms", "99th percentile ms", func(m record.Metrics) float64 { return m.P99MS }, false},
	{"p999_ms", "99.9th percentile ms", func(m record.Metrics) float64 { return m.P999MS }, false},
}

// MetricNamed returns the metric of that name and whether there is one.
func MetricNamed(name string) (Metric, bool) {
	for _, m := range Metrics {
		if m.Name == name {
			return m, true
		}
	}
	return Metric{}, false
}

// sparse reports whether the figure of a pass rests on so few frames that its spread tells
// nothing about others.
func (m Metric) sparse(x record.Metrics) bool { return m.Name == Low1 && x.Low1Sparse }

// Positive reports whether x has a logarithm.
func Positive(x float64) bool { return x > 0 && !math.IsInf(x, 1) }
