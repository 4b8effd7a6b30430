package costs

import (
	"testing"
	"time"

	"capd.example/control"
)

func TestBetween(t *testing.T) {
	since := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	before := control.Overhead{Since: since, AgeS: 100, ProcessorS: 1, WakeUps: 500, Reads: 10, Samples: 90, SampleTotalS: 0.5, ResidentBytes: 9}
	after := control.Overhead{Since: since, AgeS: 160, ProcessorS: 1.03, WakeUps: 590, Reads: 30, Samples: 150, SampleTotalS: 0.53, ResidentBytes: 8, SampleLongMS: 3}
	d := between(before, after)
	near := func(a, b float64) bool { return a-b < 1e-9 && b-a < 1e-9 }
	if !near(d.AgeS, 60) || !near(d.Percent, 0.05) || !near(d.WakeUpsPerS, 1.5) || d.Reads != 20 || !near(d.SampleMeanMS, 0.5) ||
		d.ResidentBytes != 8 || d.SampleLongMS != 3 || !d.Since.Equal(since.Add(100*time.Second)) {
		t.Errorf("%+v", d)
	}
}
