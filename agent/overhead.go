package agent

import (
	"context"
	"os"
	"time"

	"capd.example/control"
	"capd.example/sysinfo"
)

// Overhead implements control.Agent.
func (d *desk) Overhead(context.Context) (control.Overhead, error) {
	c, s := sysinfo.OwnCost(), d.agent.bench.Sampling()
	ms := func(t time.Duration) float64 { return float64(t) / float64(time.Millisecond) }
	return control.Overhead{
		PID: os.Getpid(), Since: d.since, AgeS: c.Age.Seconds(),
		ProcessorS: c.Processor.Seconds(), Percent: c.Percent(), ValidatorsS: c.Children.Seconds(),
		WakeUps: c.WakeUps, WakeUpsPerS: c.WakeUpsPerSecond(), Preempted: c.Preempted,
		ResidentBytes: c.Resident, ResidentMostBytes: c.ResidentMost,
		Reads: c.Reads, ReadBytes: c.Read, WrittenBytes: c.Written,
		Samples: s.Samples, SampleFirstMS: ms(s.First), SampleMeanMS: ms(s.Mean()), SampleTotalS: s.All.Seconds(),
		SampleLongMS: ms(s.Longest), SampleLongest: s.LongestAt,
	}, nil
}
