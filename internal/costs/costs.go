// Package costs shows what the running agent costs.
package costs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	safe "capd.example/internal/text"
)

// During waits and returns what was added to before.
func During(ctx context.Context, agent *control.Client, before control.Overhead,
	wait time.Duration) (control.Overhead, error) {
	select {
	case <-ctx.Done():
		return before, cli.FailedError(errors.New("interrupted while waiting"))
	case <-time.After(wait):
	}
	after, err := agent.Overhead(ctx)
	if err != nil {
		return after, err
	}
	if after.PID != before.PID || !after.Since.Equal(before.Since) {
		return after, cli.FailedError(errors.New("the agent restarted meanwhile"))
	}
	return between(before, after), nil
}

// between returns what was added from one answer to the next. Memory, and what is
// known of single samples, stay those of the later.
func between(before, after control.Overhead) control.Overhead {
	d := after
	d.Since = before.Since.Add(time.Duration(before.AgeS * float64(time.Second)))
	d.AgeS -= before.AgeS
	d.ProcessorS -= before.ProcessorS
	d.ValidatorsS -= before.ValidatorsS
	d.WakeUps -= before.WakeUps
	d.Preempted -= before.Preempted
	d.Reads -= before.Reads
	d.ReadBytes -= before.ReadBytes
	d.WrittenBytes -= before.WrittenBytes
	d.Samples -= before.Samples
	d.SampleTotalS -= before.SampleTotalS
	d.Percent, d.WakeUpsPerS, d.SampleMeanMS = 0, 0, 0
	if d.AgeS > 0 {
		d.Percent, d.WakeUpsPerS = 100*d.ProcessorS/d.AgeS, float64(d.WakeUps)/d.AgeS
	}
	if d.Samples > 0 {
		d.SampleMeanMS = 1000 * d.SampleTotalS / float64(d.Samples)
	}
	return d
}

// Show prints what an agent has cost, for people.
func Show(a *cli.Streams, o control.Overhead) {
	out := func(name, format string, args ...any) {
		safe.Fprintf(a.Out, "%-10s %s\n", name, fmt.Sprintf(format, args...))
	}
	counted := func(name string, known bool, format string, args ...any) {
		if !known {
			format, args = "not counted by this system", nil
		}
		out(name, format, args...)
	}
	age := time.Duration(o.AgeS * float64(time.Second))
	out("agent", "process %d, %v from %s", o.PID, age.Round(time.Second/10), o.Since.Local().Format(time.DateTime))
	out("processor", "%.3f s, %.4f %% of one core", o.ProcessorS, o.Percent)
	out("validators", "%.3f s of processes that have ended", o.ValidatorsS)
	counted("wake-ups", o.WakeUps > 0, "%d, %.2f a second; made to wait for others %d times", o.WakeUps, o.WakeUpsPerS,
		o.Preempted)
	out("memory", "%.1f MiB now, %.1f MiB at the most", mib(o.ResidentBytes), mib(o.ResidentMostBytes))
	counted("files", o.Reads > 0, "%d reads, %.1f MiB read, %.1f MiB written", o.Reads, mib(o.ReadBytes),
		mib(o.WrittenBytes))
	out("samples", "%d, on average %.3f ms each", o.Samples, o.SampleMeanMS)
	if !o.SampleLongest.IsZero() {
		out("", "the longest since the start %.3f ms, at %s; the first %.3f ms", o.SampleLongMS, o.SampleLongest.Local().
			Format(time.DateTime), o.SampleFirstMS)
	}
}

func mib(bytes uint64) float64 { return float64(bytes) / (1 << 20) }
