package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	safe "capd.example/internal/text"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/output"
)

// overheadCmd is `capctl overhead`.
type overheadCmd struct {
	JSON bool          `name:"json" help:"One JSON object."`
	Over time.Duration `placeholder:"TIME" help:"What the agent costs during the coming TIME (for example 60s), not since its start."`
}

func (c *overheadCmd) Run(a *app) error {
	if c.Over < 0 {
		return cli.UsageError(errors.New("--over needs a time above 0, such as 60s"))
	}
	return withAgent(a, func(agent *control.Client) error {
		o, err := agent.Overhead(a.ctx)
		if err != nil {
			return err
		}
		if c.Over > 0 {
			if o, err = overheadDuring(a.ctx, agent, o, c.Over); err != nil {
				return err
			}
		}
		if c.JSON {
			return output.JSON(a.stdout, o)
		}
		showOverhead(a, o)
		return nil
	})
}

// overheadDuring waits and returns what was added to before.
func overheadDuring(ctx context.Context, agent *control.Client, before control.Overhead,
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
	return overheadBetween(before, after), nil
}

// overheadBetween returns what was added from one answer to the next. Memory, and what is
// known of single samples, stay those of the later.
func overheadBetween(before, after control.Overhead) control.Overhead {
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

func showOverhead(a *app, o control.Overhead) {
	out := func(name, format string, args ...any) {
		safe.Fprintf(a.stdout, "%-10s %s\n", name, fmt.Sprintf(format, args...))
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
