package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"time"

	"capd.example/internal/cli"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/stats"
	"github.com/jedib0t/go-pretty/v6/table"
)

// disturbanceCmd is `capctl disturbance`.
type disturbanceCmd struct {
	JSON   bool          `help:"Print one JSON object per figure and load."`
	Agent  string        `placeholder:"FILE" help:"The agent to judge (default: capd beside this program, else on the path)."`
	Rounds int           `default:"8" help:"Rounds of without, with, with, without."`
	Block  time.Duration `default:"5s" help:"Length of one measurement."`
	Settle time.Duration `default:"2s" help:"Wait before each measurement, for the agent to have started."`
}

// disturbanceLine is the result for one figure under one load.
type disturbanceLine struct {
	Threads  int      `json:"threads"`
	Figure   string   `json:"figure"` // avg_fps or low1_fps
	Without  float64  `json:"without"`
	Change   float64  `json:"change"` // relative: -0.001 is 0.1 % slower with the agent
	CILow    *float64 `json:"ci_low"` // 95 % interval
	CIHigh   *float64 `json:"ci_high"`
	Within05 bool     `json:"equivalent_0_5_percent"`
	Within01 bool     `json:"equivalent_0_1_percent"`
	Least    *float64 `json:"least_provable"` // smallest margin within which equivalence is proven here
	Rounds   int      `json:"rounds"`
}

// Run measures a frame loop with and without the agent, first on one thread and then on
// every processor.
func (c *disturbanceCmd) Run(a *app) error {
	if c.Rounds < 2 || c.Block < 100*time.Millisecond || c.Settle < 0 {
		return cli.UsageError(errors.New("at least 2 rounds with blocks of 100 ms are needed for an interval"))
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
	loads := []int{1}
	if n := runtime.NumCPU(); n > 1 {
		loads = append(loads, n)
	}
	var lines []disturbanceLine
	for _, threads := range loads {
		total := time.Duration(4*c.Rounds) * (c.Block + c.Settle)
		fmt.Fprintf(a.stderr, "capctl: %d thread(s), about %s; leave the machine alone\n", threads, total.Round(time.Second))
		rounds, err := c.measure(a.ctx, agent, dir, threads)
		if err != nil {
			return cli.FailedError(err)
		}
		lines = append(lines, judgeDisturbance(threads, rounds)...)
	}
	return c.print(a, lines)
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

// disturbanceRound holds the figures of one round: two blocks without the agent around two with
// it, so that a steady drift of the machine cancels out.
type disturbanceRound struct{ without, with [2]record.Metrics }

func (c *disturbanceCmd) measure(ctx context.Context, agent, dir string, threads int) ([]disturbanceRound, error) {
	work := calibrate()
	var rounds []disturbanceRound
	for range c.Rounds {
		var r disturbanceRound
		for i, with := range []bool{false, true, true, false} {
			m, err := c.block(ctx, agent, dir, threads, work, with)
			if err != nil {
				return nil, err
			}
			if with {
				r.with[i-1] = m
			} else {
				r.without[i/3] = m
			}
		}
		rounds = append(rounds, r)
	}
	return rounds, nil
}

// block measures once, with an agent of its own folder where it is asked for. Both kinds
// wait equally long before they measure.
func (c *disturbanceCmd) block(ctx context.Context, agent, dir string, threads, work int, with bool) (record.Metrics, error) {
	if with {
		stop, err := startAgent(ctx, agent, dir)
		if err != nil {
			return record.Metrics{}, err
		}
		defer stop()
	}
	select {
	case <-ctx.Done():
		return record.Metrics{}, ctx.Err()
	case <-time.After(c.Settle):
	}
	ms := frameLoop(threads, work, c.Block)
	if ctx.Err() != nil {
		return record.Metrics{}, ctx.Err()
	}
	return metrics.Compute(record.Frames{MS: ms, Decimals: -1})
}

// startAgent runs the agent in an empty folder; it works there as on any bench.
func startAgent(ctx context.Context, agent, dir string) (stop func(), err error) {
	cmd := exec.CommandContext(ctx, agent, "--data", filepath.Join(dir, "data"), "--watch", filepath.Join(dir, "watch"), "run")
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start the agent: %w", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	return func() {
		if cmd.Process.Signal(os.Interrupt) != nil { // Windows knows no interrupt for others
			cmd.Process.Kill()
		}
		select {
		case <-ended:
		case <-time.After(10 * time.Second):
			cmd.Process.Kill()
			<-ended
		}
	}, nil
}

// frameTarget is how long a frame of the loop takes on an idle processor.
const frameTarget = 4 * time.Millisecond

// calibrate finds how much work a frame is.
func calibrate() int {
	const probe = 1 << 20
	best := time.Duration(math.MaxInt64)
	sum := uint64(0)
	for range 5 {
		start := time.Now()
		sum += burn(probe)
		best = min(best, time.Since(start))
	}
	runtime.KeepAlive(sum) // else the compiler drops the work
	return max(1, int(float64(probe)*float64(frameTarget)/float64(max(best, 1))))
}

// burn does a fixed amount of integer work (a linear congruential generator, Knuth's
// MMIX constants).
func burn(n int) uint64 {
	x := uint64(n)
	for range n {
		x = x*6364136223846793005 + 1442695040888963407
	}
	return x
}

// frameLoop runs frames on so many threads for so long and returns their times in ms.
func frameLoop(threads, work int, length time.Duration) []float64 {
	lists := make([][]float64, threads)
	var wait sync.WaitGroup
	for i := range threads {
		wait.Go(func() {
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			list := make([]float64, 0, int(2*length/frameTarget)+16)
			sum := uint64(0)
			start := time.Now()
			for last := start; last.Sub(start) < length; {
				sum += burn(work)
				now := time.Now()
				list = append(list, now.Sub(last).Seconds()*1000)
				last = now
			}
			lists[i] = list
			runtime.KeepAlive(sum)
		})
	}
	wait.Wait()
	return slices.Concat(lists...)
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
			diffs = append(diffs, (math.Log(q.of(r.with[0]))+math.Log(q.of(r.with[1]))-math.Log(q.of(r.without[0]))-math.Log(q.of(r.without[1])))/2)
			without += (q.of(r.without[0]) + q.of(r.without[1])) / 2 / float64(len(rounds))
		}
		lines = append(lines, disturbanceFigure(threads, q.name, without, diffs))
	}
	return lines
}

func disturbanceFigure(threads int, name string, without float64, diffs []float64) disturbanceLine {
	line := disturbanceLine{Threads: threads, Figure: name, Without: without, Rounds: len(diffs)}
	e, err := stats.TInterval(diffs, 0.95)
	if err != nil {
		return line
	}
	line.Change = math.Expm1(e.Value)
	if !e.Defined || !(e.SE > 0) {
		return line
	}
	low, high := math.Expm1(e.Low), math.Expm1(e.High)
	line.CILow, line.CIHigh = &low, &high
	within := func(margin float64) bool {
		q, err := stats.Equivalent(e.Value, e.SE, e.DF, 1+margin, 0.05)
		return err == nil && q.Defined && q.Equivalent
	}
	line.Within05, line.Within01 = within(0.005), within(0.001)
	// Two one-sided tests at 5 % hold where the 90 % interval lies inside the margin.
	least := math.Expm1(math.Abs(e.Value) + stats.TQuantile(0.95, e.DF)*e.SE)
	line.Least = &least
	return line
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
		interval, least := "too few rounds", "-"
		if l.CILow != nil {
			interval = fmt.Sprintf("%+.3f to %+.3f %%", 100**l.CILow, 100**l.CIHigh)
			least = fmt.Sprintf("%.3f %%", 100**l.Least)
		}
		rows = append(rows, table.Row{l.Threads, map[string]string{"avg_fps": "avg FPS", "low1_fps": "1% low"}[l.Figure],
			fmt.Sprintf("%.3f", l.Without), fmt.Sprintf("%+.3f %%", 100*l.Change), interval, proven(l.Within05), proven(l.Within01), least})
	}
	if c.JSON {
		return nil
	}
	printTable(a.stdout, table.Row{"threads", "figure", "without agent", "change with agent", "95 % interval", "within 0.5 %", "within 0.1 %", "least margin provable here"}, rows)
	_, err := fmt.Fprintf(a.stdout, "%d rounds of without, with, with, without; equivalence by two one-sided tests at 5 %% (Schuirmann 1987)\n", c.Rounds)
	return printed(err)
}

func proven(yes bool) string {
	if yes {
		return "proven"
	}
	return "not shown"
}
