package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"time"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/shirou/gopsutil/v3/process"

	"capd.example/internal/cli"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/stats"
)

// disturbanceCmd is `capctl disturbance`.
type disturbanceCmd struct {
	JSON   bool          `help:"Print one JSON object per figure and load."`
	Agent  string        `placeholder:"FILE" help:"The agent to judge (default: capd beside this program, else on the path)."`
	Rounds int           `default:"75" help:"Rounds of two blocks without and two with the agent, for each load."`
	Block  time.Duration `default:"1s" help:"Length of one block, whole seconds."`
	Writes int           `default:"5" placeholder:"N" help:"Rows a second of a log that grows in the watched folder meanwhile; 0 for none."`

	Threads []int `placeholder:"N,..." help:"How many threads draw frames (default: one, then one per processor)."`
}

// disturbanceLine is the result for one figure under one load.
type disturbanceLine struct {
	Threads int               `json:"threads"`
	Figure  string            `json:"figure"` // avg_fps or low1_fps
	Without float64           `json:"without"`
	Typical disturbanceChange `json:"typical"` // of the typical round: stats.PseudoMedian
	Mean    disturbanceChange `json:"mean"`    // of the mean of the rounds: stats.TInterval
	Rounds  int               `json:"rounds"`
	Writes  int               `json:"writes"`        // rows a second of the log that grew meanwhile
	Samples *uint64           `json:"agent_samples"` // taken meanwhile, null where the agent could not be asked
}

// disturbanceChange is a relative change: -0.001 is 0.1 % slower with the agent.
type disturbanceChange struct {
	Change   float64  `json:"change"`
	CILow    *float64 `json:"ci_low"` // 95 % interval
	CIHigh   *float64 `json:"ci_high"`
	Within05 bool     `json:"equivalent_0_5_percent"`
	Within01 bool     `json:"equivalent_0_1_percent"`
	Least    *float64 `json:"least_provable"` // smallest margin within which equivalence is proven here
}

// Run measures a frame loop with the agent at work and held still, first on one thread and
// then on every processor.
func (c *disturbanceCmd) Run(a *app) error {
	if c.Rounds < 6 || c.Block < time.Second || c.Block%time.Second != 0 {
		return cli.UsageError(errors.New("at least 6 rounds with blocks of whole seconds are needed for an interval: the agent works once a second"))
	}
	if slices.ContainsFunc(c.Threads, func(n int) bool { return n < 1 || n > 4096 }) {
		return cli.UsageError(errors.New("--threads takes numbers from 1 to 4096"))
	}
	if c.Writes < 0 || c.Writes > 1000 {
		return cli.UsageError(errors.New("--writes takes numbers from 0 to 1000"))
	}
	agent, err := c.agent()
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "capd-disturbance")
	if err != nil {
		return cli.FailedError(fmt.Errorf("make a folder for the agent: %w", err))
	}
	defer func() {
		if err := os.RemoveAll(dir); err != nil {
			safe.Fprintf(a.stderr, "capctl: note: what the agent wrote could not be removed: %v\n", err)
		}
	}()
	var lines []disturbanceLine
	for i, threads := range c.loads() {
		total := agentSettles + time.Duration(4*c.Rounds)*c.Block
		safe.Fprintf(a.stderr, "capctl: %s, about %s; leave the machine alone\n", record.Count(threads, "thread"), total.Round(time.Second))
		of, err := c.measure(a, agent, filepath.Join(dir, strconv.Itoa(i)), threads)
		if a.ctx.Err() != nil {
			return cli.FailedError(errors.New("interrupted; the agent that was measured is stopped"))
		}
		if err != nil {
			return cli.FailedError(err)
		}
		for _, line := range judgeDisturbance(threads, of.rounds, of.samples) {
			line.Writes = c.Writes
			lines = append(lines, line)
		}
	}
	return c.print(a, lines)
}

func (c *disturbanceCmd) loads() []int {
	if len(c.Threads) > 0 {
		return c.Threads
	}
	return slices.Compact([]int{1, runtime.NumCPU()})
}

// agent finds the program to judge.
func (c *disturbanceCmd) agent() (string, error) {
	if c.Agent != "" {
		return c.Agent, nil
	}
	name := "capd"
	if runtime.GOOS == "windows" {
		name += ".exe"
	}
	if self, err := os.Executable(); err == nil {
		if beside := filepath.Join(filepath.Dir(self), name); fileExists(beside) {
			return beside, nil
		}
	}
	path, err := exec.LookPath(name)
	if err != nil {
		return "", cli.FailedError(errors.New("capd is neither beside this program nor on the path"), "--agent FILE names it")
	}
	return path, nil
}

func fileExists(path string) bool {
	st, err := os.Stat(path)
	return err == nil && st.Mode().IsRegular()
}

// disturbanceRound holds the figures of one round.
type disturbanceRound struct{ without, with record.Metrics }

// disturbanceSeries is what was measured under one load.
type disturbanceSeries struct {
	rounds  []disturbanceRound
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

// measure lets frame loops run without a break while the agent, running all the time, is
// held still and let go on in blocks, and returns the figures of the rounds. A round is
// without, with, with, without or the mirror image of it, at random: a steady drift of the
// machine cancels within a round, and what comes back every few seconds does not line up
// with the blocks.
func (c *disturbanceCmd) measure(a *app, program, dir string, threads int) (of disturbanceSeries, err error) {
	agent, err := startMeasured(a.ctx, program, dir)
	if err != nil {
		return of, err
	}
	defer agent.stop()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(threads + 2)) // the loops must not keep this goroutine waiting
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	length := agentSettles + time.Duration(4*c.Rounds)*c.Block
	loop := startFrameLoop(threads, length)
	defer loop.stop()
	var grows *growingLog
	if c.Writes > 0 {
		if grows, err = startLog(filepath.Join(agent.watch, "pass.csv"), c.Writes); err != nil {
			return of, err
		}
		defer grows.stop()
	}
	if err := sleepUntil(a.ctx, time.Now().Add(agentSettles)); err != nil {
		return of, err
	}
	before, mute := agent.samples(a.ctx)
	if mute != nil {
		if err := agent.gone(); err != nil {
			return of, err
		}
		safe.Fprintf(a.stderr, "capctl: note: %v; whether it samples meanwhile is not checked\n", mute)
	}
	at, with, err := c.toggle(a.ctx, agent.proc, loop.now)
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
		if of.samples, err = agent.sampled(a.ctx, before, len(at)/4); err != nil {
			return of, err
		}
	} else if err := agent.gone(); err != nil {
		return of, err
	}
	of.rounds, err = splitRounds(loop.frames(), at, with, c.Block-toggleLate)
	return of, err
}

// toggle runs the blocks and returns when each began to count, by the clock now, and whether
// the agent was at work in it.
func (c *disturbanceCmd) toggle(ctx context.Context, proc *process.Process, now func() time.Time) (at []time.Time, with []bool, err error) {
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
	for range c.Rounds {
		first := rng.IntN(2) == 0
		for _, work := range []bool{first, !first, !first, first} {
			if err := sleepUntil(ctx, next); err != nil {
				return nil, nil, err
			}
			if err := hold(work); err != nil {
				return nil, nil, fmt.Errorf("hold the agent still or let it go on: %w", err)
			}
			at, with = append(at, now()), append(with, work)
			next = next.Add(c.Block)
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
func splitRounds(threads [][]frame, at []time.Time, with []bool, length time.Duration) ([]disturbanceRound, error) {
	var rounds []disturbanceRound
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
		var r disturbanceRound
		for side, to := range []*record.Metrics{&r.without, &r.with} {
			m, err := metrics.Compute(record.Frames{MS: ms[side], Decimals: -1})
			if err != nil {
				return nil, fmt.Errorf("round %d: %w; the machine was held up for a whole block: try again", i/4+1, err)
			}
			*to = m
		}
		rounds = append(rounds, r)
	}
	return rounds, nil
}

// judgeDisturbance compares on logarithms, one difference per round.
func judgeDisturbance(threads int, rounds []disturbanceRound, samples *uint64) []disturbanceLine {
	var lines []disturbanceLine
	for _, q := range []struct {
		name string
		of   func(record.Metrics) float64
	}{
		{"avg_fps", func(m record.Metrics) float64 { return m.AvgFPS }},
		{"low1_fps", func(m record.Metrics) float64 { return m.Low1FPS }},
	} {
		var diffs []float64
		without := 0.0
		for _, r := range rounds {
			diffs = append(diffs, math.Log(q.of(r.with)/q.of(r.without)))
			without += q.of(r.without) / float64(len(rounds))
		}
		line := disturbanceFigure(threads, q.name, without, diffs)
		line.Samples = samples
		lines = append(lines, line)
	}
	return lines
}

func disturbanceFigure(threads int, name string, without float64, diffs []float64) disturbanceLine {
	line := disturbanceLine{Threads: threads, Figure: name, Without: without, Rounds: len(diffs)}
	line.Typical = equivalence(diffs, stats.PseudoMedian)
	line.Mean = equivalence(diffs, stats.TInterval)
	return line
}

// equivalence judges by an estimate of differences of logarithms. Two one-sided tests at 5 %
// hold where the 90 % interval lies inside the margin.
func equivalence(diffs []float64, estimate func(x []float64, conf float64) (stats.Estimate, error)) (c disturbanceChange) {
	e, err := estimate(diffs, 0.95)
	if err != nil {
		return c
	}
	c.Change = math.Expm1(e.Value)
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

func (c *disturbanceCmd) print(a *app, lines []disturbanceLine) error {
	var rows []table.Row
	for _, l := range lines {
		if c.JSON {
			if err := printJSON(a, l); err != nil {
				return err
			}
			continue
		}
		rows = append(rows, table.Row{l.Threads, map[string]string{"avg_fps": "avg FPS", "low1_fps": "1% low"}[l.Figure],
			fmt.Sprintf("%.3f", l.Without), l.Typical, l.Typical.proven(), l.Mean, l.Mean.proven()})
	}
	if c.JSON {
		return nil
	}
	printTable(a.stdout, table.Row{"threads", "figure", "without agent", "typical round with agent, 95 % interval", "equivalent", "mean of the rounds, 95 % interval", "equivalent"}, rows)
	_, err := safe.Fprintf(a.stdout, `%d rounds of two blocks of %s with the agent at work and two with it held still, frames running and %s throughout.
Typical round: Hodges-Lehmann with the signed-rank test, which a shared machine's hold-ups do not drown; what the agent does in few
rounds only shows in the mean alone. Equivalence by two one-sided tests at 5 %% (Schuirmann 1987), with the least margin provable
here. Half as wide an interval takes four times the rounds.
`, c.Rounds, c.Block, grown(c.Writes))
	return printed(err)
}

func grown(writes int) string {
	if writes == 0 {
		return "no log growing"
	}
	return fmt.Sprintf("a log growing by %s a second", record.Count(writes, "row"))
}

func (c disturbanceChange) String() string {
	if c.CILow == nil {
		return fmt.Sprintf("%+.3f %% (too few rounds)", 100*c.Change)
	}
	return fmt.Sprintf("%+.3f %% (%+.3f to %+.3f)", 100*c.Change, 100**c.CILow, 100**c.CIHigh)
}

func (c disturbanceChange) proven() string {
	switch {
	case c.Least == nil:
		return "-"
	case c.Within01:
		return fmt.Sprintf("within 0.1 %% (%.3f)", 100**c.Least)
	case c.Within05:
		return fmt.Sprintf("within 0.5 %% (%.3f)", 100**c.Least)
	}
	return fmt.Sprintf("not shown (%.3f %%)", 100**c.Least)
}
