package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"time"

	safe "capd.example/internal/text"

	"capd.example/disturbance"
	"capd.example/internal/cli"
	"capd.example/record"
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

// Run measures a frame loop with the agent at work and held still, first on one thread and
// then on every processor.
func (c *disturbanceCmd) Run(a *app) error {
	if c.Rounds < 6 || c.Block < time.Second || c.Block%time.Second != 0 {
		return cli.UsageError(errors.New("an interval needs at least 6 rounds with blocks of whole seconds"))
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
			safe.Fprintf(a.stderr, "capctl: note: could not remove what the agent wrote: %v\n", err)
		}
	}()
	var lines []disturbance.Result
	e := disturbance.Experiment{Program: agent, Rounds: c.Rounds, Block: c.Block, Writes: c.Writes, Note: func(err error) {
		safe.Fprintf(a.stderr, "capctl: note: %v\n", err)
	}}
	for i, threads := range c.loads() {
		safe.Fprintf(a.stderr, "capctl: %s, about %s; leave the machine alone\n", record.Count(threads, "thread"),
			e.Length().Round(time.Second))
		results, err := e.Run(a.ctx, filepath.Join(dir, strconv.Itoa(i)), threads)
		if a.ctx.Err() != nil {
			return cli.FailedError(errors.New("interrupted; the measured agent is stopped"))
		}
		if err != nil {
			return cli.FailedError(err)
		}
		lines = append(lines, results...)
	}
	return disturbance.Show(a.Streams, c.JSON, e, lines)
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
