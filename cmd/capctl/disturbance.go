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
	"time"

	"capd.example/internal/cli"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/stats"
	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/shirou/gopsutil/v3/process"
)

// disturbanceCmd is `capctl disturbance`.
type disturbanceCmd struct {
	JSON   bool          `help:"Print one JSON object per figure and load."`
	Agent  string        `placeholder:"FILE" help:"The agent to judge (default: capd beside this program, else on the path)."`
	Rounds int           `default:"75" help:"Rounds of two blocks without and two with the agent, for each load."`
	Block  time.Duration `default:"1s" help:"Length of one block, whole seconds."`

	Threads []int `placeholder:"N,..." help:"How many threads draw frames (default: one, then one per processor)."`
}

// disturbanceLine is the result for one figure under one load. Changes are relative: -0.001
// is 0.1 % slower with the agent. The change and its interval are those of the centre of the
// rounds (stats.PseudoMedian); equivalence is judged by it.
type disturbanceLine struct {
	Threads  int      `json:"threads"`
	Figure   string   `json:"figure"` // avg_fps or low1_fps
	Without  float64  `json:"without"`
	Change   float64  `json:"change"`
	CILow    *float64 `json:"ci_low"` // 95 % interval
	CIHigh   *float64 `json:"ci_high"`
	Within05 bool     `json:"equivalent_0_5_percent"`
	Within01 bool     `json:"equivalent_0_1_percent"`
	Least    *float64 `json:"least_provable"` // smallest margin within which equivalence is proven here
	Mean     float64  `json:"mean_change"`
	MeanLow  *float64 `json:"mean_ci_low"` // 95 % t interval
	MeanHigh *float64 `json:"mean_ci_high"`
	Rounds   int      `json:"rounds"`
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
	agent, err := c.agent()
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "capd-disturbance")
	if err != nil {
		return cli.FailedError(fmt.Errorf("make a folder for the agent: %w", err))
	}
	defer os.RemoveAll(dir)
	var lines []disturbanceLine
	for _, threads := range c.loads() {
		total := agentSettles + time.Duration(4*c.Rounds)*c.Block
		fmt.Fprintf(a.stderr, "capctl: %d thread(s), about %s; leave the machine alone\n", threads, total.Round(time.Second))
		rounds, err := c.measure(a.ctx, agent, dir, threads)
		if err != nil {
			return cli.FailedError(err)
		}
		lines = append(lines, judgeDisturbance(threads, rounds)...)
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

const (
	// agentSettles is how long the agent is left to start, with the frame loop running, so
	// that it samples at the pace it has during a pass.
	agentSettles = 5 * time.Second

	// toggleLead is how long before a whole second the agent is stopped or let go on. It
	// samples at whole seconds: each block then holds the sample of every one of its seconds.
	toggleLead = 250 * time.Millisecond

	// toggleGap is how much of the start of a block does not count: an agent that goes on
	// takes the sample it missed.
	toggleGap = 100 * time.Millisecond
)

// measure lets frame loops run without a break while the agent, running all the time, is
// held still and let go on in blocks, and returns the figures of the rounds. A round is
// without, with, with, without or the mirror image of it, at random: a steady drift of the
// machine cancels within a round, and what comes back every few seconds does not line up
// with the blocks.
func (c *disturbanceCmd) measure(ctx context.Context, agent, dir string, threads int) ([]disturbanceRound, error) {
	proc, stop, err := startAgent(ctx, agent, dir)
	if err != nil {
		return nil, err
	}
	defer stop()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(threads + 2)) // the loops must not keep this goroutine waiting
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	length := agentSettles + time.Duration(4*c.Rounds)*c.Block
	loop := startFrameLoop(threads, length)
	defer loop.stop()
	at, with, err := c.toggle(ctx, proc)
	if err != nil {
		return nil, err
	}
	loop.stop()
	return splitRounds(loop.frames(), at, with, c.Block-toggleGap)
}

// toggle runs the blocks and returns when each began to count and whether the agent was at
// work in it.
func (c *disturbanceCmd) toggle(ctx context.Context, proc *process.Process) (at []time.Time, with []bool, err error) {
	working := true
	hold := func(work bool) error {
		if work == working { // Windows counts how often a process was held still
			return nil
		}
		if working = work; work {
			return proc.Resume()
		}
		return proc.Suspend()
	}
	defer hold(true)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	next := time.Now().Add(agentSettles).Truncate(time.Second).Add(time.Second - toggleLead)
	for range c.Rounds {
		first := rng.IntN(2) == 0
		for _, work := range []bool{first, !first, !first, first} {
			if err := sleepUntil(ctx, next); err != nil {
				return nil, nil, err
			}
			if err := hold(work); err != nil {
				return nil, nil, fmt.Errorf("hold the agent still or let it go on: %w; did it stop? `capd run` says why", err)
			}
			at, with = append(at, time.Now().Add(toggleGap)), append(with, work)
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

// startAgent runs the agent in an empty folder; it works there as on any bench.
func startAgent(ctx context.Context, agent, dir string) (proc *process.Process, stop func(), err error) {
	cmd := exec.CommandContext(ctx, agent, "--data", filepath.Join(dir, "data"), "--watch", filepath.Join(dir, "watch"), "run")
	if err := cmd.Start(); err != nil {
		return nil, nil, fmt.Errorf("start the agent: %w", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	stop = func() {
		if cmd.Process.Signal(os.Interrupt) != nil { // Windows knows no interrupt for others
			cmd.Process.Kill()
		}
		select {
		case <-ended:
		case <-time.After(10 * time.Second):
			cmd.Process.Kill()
			<-ended
		}
	}
	if proc, err = process.NewProcessWithContext(ctx, int32(cmd.Process.Pid)); err != nil {
		stop()
		return nil, nil, fmt.Errorf("find the agent that was started: %w", err)
	}
	return proc, stop, nil
}

// judgeDisturbance compares on logarithms, one difference per round.
func judgeDisturbance(threads int, rounds []disturbanceRound) []disturbanceLine {
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
		lines = append(lines, disturbanceFigure(threads, q.name, without, diffs))
	}
	return lines
}

func disturbanceFigure(threads int, name string, without float64, diffs []float64) disturbanceLine {
	line := disturbanceLine{Threads: threads, Figure: name, Without: without, Rounds: len(diffs)}
	if mean, err := stats.TInterval(diffs, 0.95); err == nil && mean.Defined {
		line.Mean, line.MeanLow, line.MeanHigh = math.Expm1(mean.Value), relativeChange(mean.Low), relativeChange(mean.High)
	}
	centre, err := stats.PseudoMedian(diffs, 0.95)
	if err != nil {
		return line
	}
	line.Change = math.Expm1(centre.Value)
	// Two one-sided tests at 5 % hold where the 90 % interval lies inside the margin.
	tests, err := stats.PseudoMedian(diffs, 0.90)
	if err != nil || !centre.Defined || !tests.Defined {
		return line
	}
	line.CILow, line.CIHigh = relativeChange(centre.Low), relativeChange(centre.High)
	least := max(math.Abs(tests.Low), math.Abs(tests.High))
	line.Within05, line.Within01 = least < math.Log1p(0.005), least < math.Log1p(0.001)
	line.Least = relativeChange(least)
	return line
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
		interval, least, mean := "too few rounds", "-", "-"
		if l.CILow != nil {
			interval = fmt.Sprintf("%+.3f to %+.3f %%", 100**l.CILow, 100**l.CIHigh)
			least = fmt.Sprintf("%.3f %%", 100**l.Least)
		}
		if l.MeanLow != nil {
			mean = fmt.Sprintf("%+.3f %% (%+.3f to %+.3f)", 100*l.Mean, 100**l.MeanLow, 100**l.MeanHigh)
		}
		rows = append(rows, table.Row{l.Threads, map[string]string{"avg_fps": "avg FPS", "low1_fps": "1% low"}[l.Figure],
			fmt.Sprintf("%.3f", l.Without), fmt.Sprintf("%+.3f %%", 100*l.Change), interval, proven(l.Within05), proven(l.Within01), least, mean})
	}
	if c.JSON {
		return nil
	}
	printTable(a.stdout, table.Row{"threads", "figure", "without agent", "change with agent", "95 % interval", "within 0.5 %", "within 0.1 %", "least margin provable here", "mean of the rounds"}, rows)
	_, err := fmt.Fprintf(a.stdout, `%d rounds of two blocks of %s with the agent at work and two with it held still, frames running throughout.
Change and interval: Hodges-Lehmann and the signed-rank test, which a shared machine's rare hold-ups do not drown; the mean is beside
them. Equivalence by two one-sided tests at 5 %% (Schuirmann 1987). Half as wide an interval takes four times the rounds.
`, c.Rounds, c.Block)
	return printed(err)
}

func proven(yes bool) string {
	if yes {
		return "proven"
	}
	return "not shown"
}
