package autostart

import (
	"context"
	"debug/buildinfo"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"capd.example/control"
)

// Job is an install or an uninstall for one user.
type Job struct {
	Place   Place
	Self    string   // absolute path of this program
	Version string   // of this program
	Given   []string // what stands in front of the command, with absolute paths
	Data    string   // data folder of the agent
	Log     string   // file of the agent's own log
	Now     bool     // do not wait for the end of a pass
	DryRun  bool     // print the plan, change nothing
	Tell    func(format string, args ...any)
	Plan    func(Plan) error // prints it
}

// ErrOtherUser says that sudo, which nothing here needs, would install for the wrong user.
var ErrOtherUser = errors.New("this was started for the administrator and would make the agent start with that session, not with yours")

// Install has the agent started with the session, and starts it now. Where another version
// runs it lets that one end between two passes. Doing it again changes nothing.
func (j Job) Install(ctx context.Context) error {
	if otherUser() {
		return ErrOtherUser
	}
	copies, program := j.Place.Copies(j.Self, isFile)
	start := Start{Program: program, Given: j.Given, Log: j.Log}
	entry, err := j.Place.InstallPlan(start)
	if err != nil {
		return err
	}
	plan := slices.Concat(copies, entry)
	if err := plan.foreign(); err != nil {
		return err
	}
	if j.DryRun {
		return j.Plan(plan)
	}
	open, err := plan.Open()
	if err != nil {
		return err
	}
	if s, err := status(ctx, j.Data); err == nil && len(open) == 0 && s.Version == j.Version && runs(s.PID, program) {
		j.Tell("nothing to do: capd %s starts with your session (%s) and runs", s.Version, j.Place.Method)
		j.where()
		return nil
	}
	if err := plan.Stage(); err != nil {
		return err
	}
	if err := j.end(ctx); err != nil {
		return err
	}
	began := time.Now() // the wait for the end of a pass is no part of it
	if err := plan.Apply(ctx, func(s Step) { j.Tell("%s", s) }); err != nil {
		return err
	}
	s, err := j.await(ctx, began)
	if err != nil {
		return err
	}
	j.Tell("capd %s runs and starts with your session (%s)", s.Version, j.Place.Method)
	j.where()
	return nil
}

func (j Job) where() {
	j.Tell("log of the agent: %s", j.Log)
	j.Tell("'capd check' says whether the bench is in order")
}

// Uninstall takes back what Install did and ends the agent. Configuration and data stay.
func (j Job) Uninstall(ctx context.Context) error {
	if otherUser() {
		return ErrOtherUser
	}
	plan := j.Place.UninstallPlan()
	for _, name := range programNames {
		if path := filepath.Join(j.Place.Programs, name); Ours(path) {
			plan = append(plan, Step{Do: Remove, Path: path})
		}
	}
	if err := plan.foreign(); err != nil {
		return err
	}
	if j.DryRun {
		return j.Plan(plan)
	}
	if err := j.end(ctx); err != nil {
		return err
	}
	changed := 0
	err := plan.Apply(ctx, func(s Step) {
		if s.Do != Run {
			changed++
			j.Tell("%s", s)
		}
	})
	if err != nil {
		return err
	}
	if info, err := os.Lstat(j.Place.Programs); err == nil && info.IsDir() && filepath.Base(j.Place.Programs) == programNames[0] {
		os.Remove(j.Place.Programs) // made for them alone, as on Windows; where it is empty
	}
	if changed == 0 {
		j.Tell("nothing to do: capd does not start with your session")
	} else {
		j.Tell("capd no longer starts with your session")
	}
	return nil
}

// Ours reports that a file is a program of this project, by what its build recorded.
func Ours(path string) bool {
	info, err := buildinfo.ReadFile(path)
	if err != nil {
		return false
	}
	self, ok := debug.ReadBuildInfo()
	return ok && info.Main.Path == self.Main.Path
}

// Self is the path of this program, not of a link to it.
func Self() (string, error) {
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	return filepath.EvalSymlinks(path)
}

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
}

func status(ctx context.Context, data string) (control.Status, error) {
	c, err := control.Dial(ctx, data)
	if err != nil {
		return control.Status{}, err
	}
	defer c.Close()
	return c.Status(ctx)
}

// look is how often it is asked whether an agent has ended or answers.
const look = 50 * time.Millisecond

// end lets a running agent end, between two passes or at once, and waits for that.
func (j Job) end(ctx context.Context) error {
	c, err := control.Dial(ctx, j.Data)
	if err == nil {
		err = c.Stop(ctx, j.Now)
		c.Close()
	}
	switch {
	case errors.Is(err, control.ErrNoAgent):
		return nil
	case errors.Is(err, control.ErrHeld):
		return err
	case errors.Is(err, control.ErrStopped): // it was just ending
	case err != nil:
		return fmt.Errorf("end the running agent: %w", err)
	}
	told := false
	for began := time.Now(); ; {
		held, err := control.Held(j.Data)
		if err != nil || !held {
			return err
		}
		if !told && !j.Now && time.Since(began) > time.Second {
			told = true
			j.Tell("waiting for the end of the pass that is being recorded; Ctrl-C changes nothing, --now does not wait")
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(look):
		}
	}
}

// startTime is how long an agent may take until it answers: a newer one first brings the
// store up to date, which takes its time where there are many passes.
const startTime = time.Minute

// await waits until the agent that was started answers.
func (j Job) await(ctx context.Context, began time.Time) (control.Status, error) {
	told := false
	for {
		s, err := status(ctx, j.Data)
		if err == nil {
			return s, nil
		}
		after := time.Since(began)
		if after > startTime {
			return s, fmt.Errorf("the agent was started and does not answer (%w); its log %s ends with: %s", err, j.Log, lastLine(j.Log))
		} else if !told && after > startTime/6 {
			told = true
			j.Tell("waiting for the agent to answer; its log %s ends with: %s", j.Log, lastLine(j.Log))
		}
		select {
		case <-ctx.Done():
			return s, ctx.Err()
		case <-time.After(look):
		}
	}
}

// lastLine is the last line of a file.
func lastLine(path string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		return err.Error()
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return lines[len(lines)-1]
}
