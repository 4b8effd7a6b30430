// Package disturbance is the experiment that tells how much the agent slows a frame loop:
// frames are drawn without a break while the agent, running all the time, is held still and
// let go on in blocks.
package disturbance

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"time"

	"github.com/shirou/gopsutil/v3/process"

	"capd.example/metrics"
	"capd.example/record"
	"capd.example/stats"
)

// Experiment says how the agent is measured.
type Experiment struct {
	Program string        // the agent
	Rounds  int           // of two blocks without and two with the agent, at least 6
	Block   time.Duration // whole seconds, since the agent works once a second
	Writes  int           // rows a second of a log that grows in the watched folder; 0 for none

	// Note is told what weakens the experiment.
	Note func(error)
}

// Length returns how long the experiment takes under one load.
func (e Experiment) Length() time.Duration {
	return agentSettles + time.Duration(4*e.Rounds)*e.Block
}

// Result is the result for one figure under one load.
type Result struct {
	Threads int     `json:"threads"`
	Figure  string  `json:"figure"` // avg_fps or low1_fps
	Without float64 `json:"without"`
	Typical Change  `json:"typical"` // of the typical round: stats.PseudoMedian
	Mean    Change  `json:"mean"`    // of the mean of the rounds: stats.TInterval
	Rounds  int     `json:"rounds"`
	Writes  int     `json:"writes"`        // rows a second of the log that grew meanwhile
	Samples *uint64 `json:"agent_samples"` // taken meanwhile, null where the agent could not be asked
}

// Change is a relative change: -0.001 is 0.1 % slower with the agent.
type Change struct {
	Relative float64  `json:"change"`
	CILow    *float64 `json:"ci_low"` // 95 % interval
	CIHigh   *float64 `json:"ci_high"`
	Within05 bool     `json:"equivalent_0_5_percent"`
	Within01 bool     `json:"equivalent_0_1_percent"`
	Least    *float64 `json:"least_provable"` // smallest margin within which equivalence is proven here
}

// round holds the figures of one round.
type round struct{ without, with record.Metrics }

// series is what was measured under one load.
type series struct {
	rounds  []round
	samples *uint64 // that the agent took meanwhile, nil where it could not be asked
}

const (
	// agentSettles is how long the agent is left to start, with the frame loop running, so
	// that it samples at the pace it has during a pass.
	agentSettles = 5 * time.Second

	// toggleLead is how long before a whole second the agent is stopped or let go on. It
	// samples at whole seconds: each block then holds the sample of every one of its seconds.
	toggleLead = 250 * time.Millisecond

	// toggleLate is how late stopping it and letting it go on may come: a block counts for so
	// much less than its length. What the agent does first when it goes on counts: it takes the
	// sample that it missed, so that it is charged with more than it costs.
	toggleLate = 50 * time.Millisecond
)

// Run measures under one load, frames drawn by so many threads, and returns a result for each
// figure. The agent works in dir, which Run makes. Where ctx ends, the agent is stopped.
func (e Experiment) Run(ctx context.Context, dir string, threads int) ([]Result, error) {
	of, err := e.measure(ctx, dir, threads)
	if err != nil {
		return nil, err
	}
	results := judge(threads, of)
	for i := range results {
		results[i].Writes = e.Writes
	}
	return results, nil
}

// measure lets frame loops run without a break while the agent, running all the time, is
// held still and let go on in blocks, and returns the figures of the rounds. A round is
// without, with, with, without or the mirror image of it, at random: a steady drift of the
// machine cancels within a round, and what comes back every few seconds does not line up
// with the blocks.
func (e Experiment) measure(ctx context.Context, dir string, threads int) (of series, err error) {
	agent, err := startMeasured(ctx, e.Program, dir)
	if err != nil {
		return of, err
	}
	defer agent.stop()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(threads + 2)) // the loops must not keep this goroutine waiting
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	loop := startFrameLoop(threads, e.Length())
	defer loop.stop()
	var grows *growingLog
	if e.Writes > 0 {
		if grows, err = startLog(filepath.Join(agent.watch, "pass.csv"), e.Writes); err != nil {
			return of, err
		}
		defer grows.stop()
	}
	if err := sleepUntil(ctx, time.Now().Add(agentSettles)); err != nil {
		return of, err
	}
	before, mute := agent.samples(ctx)
	if mute != nil {
		if err := agent.gone(); err != nil {
			return of, err
		}
		e.Note(fmt.Errorf("%w; so nothing checks that it samples", mute))
	}
	at, with, err := e.toggle(ctx, agent.proc, loop.now)
	if err != nil {
		if gone := agent.gone(); gone != nil {
			err = gone
		}
		return of, err
	}
	loop.stop()
	if err := grows.stop(); err != nil {
		return of, err
	}
	if mute == nil {
		if of.samples, err = agent.sampled(ctx, before, len(at)/4); err != nil {
			return of, err
		}
	} else if err := agent.gone(); err != nil {
		return of, err
	}
	of.rounds, err = splitRounds(loop.frames(), at, with, e.Block-toggleLate)
	return of, err
}

// toggle runs the blocks and returns when each began to count, by the clock now, and whether
// the agent was at work in it.
func (e Experiment) toggle(ctx context.Context, proc *process.Process, now func() time.Time) (at []time.Time,
	with []bool, err error) {
	working := true
	hold := func(work bool) error {
		if work == working { // Windows counts how often a thread was held still
			return nil
		}
		if working = work; work {
			return proc.Resume()
		}
		return proc.Suspend()
	}
	defer hold(true)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	next := time.Now().Truncate(time.Second).Add(2*time.Second - toggleLead)
	for range e.Rounds {
		first := rng.IntN(2) == 0
		for _, work := range []bool{first, !first, !first, first} {
			if err := sleepUntil(ctx, next); err != nil {
				return nil, nil, err
			}
			if err := hold(work); err != nil {
				return nil, nil, fmt.Errorf("hold the agent still or let it go on: %w", err)
			}
			at, with = append(at, now()), append(with, work)
			next = next.Add(e.Block)
		}
	}
	return at, with, sleepUntil(ctx, next)
}

func sleepUntil(ctx context.Context, t time.Time) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(time.Until(t)):
		return nil
	}
}

// splitRounds computes the figures of each round from the frames that lie wholly in its
// blocks.
func splitRounds(threads [][]frame, at []time.Time, with []bool, length time.Duration) ([]round, error) {
	var rounds []round
	from := make([]int, len(threads))
	for i := 0; i+4 <= len(at); i += 4 {
		var ms [2][]float64
		for j := i; j < i+4; j++ {
			side := 0
			if with[j] {
				side = 1
			}
			for k, frames := range threads {
				for from[k] < len(frames) && frames[from[k]].begin().Before(at[j]) {
					from[k]++
				}
				for from[k] < len(frames) && !frames[from[k]].end.After(at[j].Add(length)) {
					ms[side] = append(ms[side], frames[from[k]].ms())
					from[k]++
				}
			}
		}
		var r round
		for side, to := range []*record.Metrics{&r.without, &r.with} {
			m, err := metrics.Compute(record.Frames{MS: ms[side], Decimals: -1})
			if err != nil {
				return nil, fmt.Errorf("round %d: %w; the machine paused for a whole block: try again", i/4+1, err)
			}
			*to = m
		}
		rounds = append(rounds, r)
	}
	return rounds, nil
}

// judge compares on logarithms, one difference per round.
func judge(threads int, of series) []Result {
	var lines []Result
	for _, q := range []struct {
		name string
		get  func(record.Metrics) float64
	}{
		{"avg_fps", func(m record.Metrics) float64 { return m.AvgFPS }},
		{"low1_fps", func(m record.Metrics) float64 { return m.Low1FPS }},
	} {
		var diffs []float64
		without := 0.0
		for _, r := range of.rounds {
			diffs = append(diffs, math.Log(q.get(r.with)/q.get(r.without)))
			without += q.get(r.without) / float64(len(of.rounds))
		}
		line := figure(threads, q.name, without, diffs)
		line.Samples = of.samples
		lines = append(lines, line)
	}
	return lines
}

func figure(threads int, name string, without float64, diffs []float64) Result {
	line := Result{Threads: threads, Figure: name, Without: without, Rounds: len(diffs)}
	line.Typical = equivalence(diffs, stats.PseudoMedian)
	line.Mean = equivalence(diffs, stats.TInterval)
	return line
}

// equivalence judges by an estimate of differences of logarithms. Two one-sided tests at 5 %
// hold where the 90 % interval lies inside the margin.
func equivalence(diffs []float64, estimate func(x []float64, conf float64) (stats.Estimate, error)) (c Change) {
	e, err := estimate(diffs, 0.95)
	if err != nil {
		return c
	}
	c.Relative = math.Expm1(e.Value)
	tests, err := estimate(diffs, 0.90)
	if err != nil || !e.Defined || !tests.Defined || !(tests.Low < tests.High) {
		return c
	}
	c.CILow, c.CIHigh = relativeChange(e.Low), relativeChange(e.High)
	least := max(math.Abs(tests.Low), math.Abs(tests.High))
	c.Within05, c.Within01 = least < math.Log1p(0.005), least < math.Log1p(0.001)
	c.Least = relativeChange(least)
	return c
}

// relativeChange turns a difference of logarithms into a relative change.
func relativeChange(log float64) *float64 {
	x := math.Expm1(log)
	return &x
}
