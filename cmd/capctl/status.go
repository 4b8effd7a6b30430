package main

import (
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"capd.example/internal/listing"
	safe "capd.example/internal/text"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
)

// statusCmd is `capctl status`.
type statusCmd struct {
	JSON bool `name:"json" help:"One JSON object."`
}

func (c *statusCmd) Run(a *app) error {
	return withAgent(a, func(agent *control.Client) error {
		s, err := agent.Status(a.ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return output.JSON(a.stdout, s)
		}
		showStatus(a, s, time.Now())
		return nil
	})
}

// withAgent talks to the agent of the data folder and says what to do where it cannot.
func withAgent(a *app, fn func(*control.Client) error) error {
	agent, err := control.Dial(a.ctx, a.config.Data)
	if err != nil {
		return agentError(err)
	}
	defer agent.Close()
	return agentError(fn(agent))
}

func agentError(err error) error {
	var known *cli.Error
	switch {
	case err == nil || errors.As(err, &known) || errors.Is(err, cli.ErrFound):
		return err
	case errors.Is(err, control.ErrNoAgent):
		return cli.FailedError(err, "start it with 'capd run', or name its data folder with --data",
			"you can read stored passes without an agent: 'capctl passes'")
	case errors.Is(err, control.ErrHeld):
		return cli.FailedError(err, "it may still be starting: try again in a minute", "else end the process capd and start it again",
			"you can read stored passes meanwhile: 'capctl passes'")
	case errors.Is(err, control.ErrSilent):
		return cli.FailedError(err, "it may be stopped or overloaded: look at its own messages")
	case errors.Is(err, control.ErrVersion):
		return cli.FailedError(err, "install capd and capctl of one version")
	}
	return cli.FailedError(err)
}

func showStatus(a *app, s control.Status, now time.Time) {
	out := func(name, format string, args ...any) {
		safe.Fprintf(a.stdout, "%-10s %s\n", name, fmt.Sprintf(format, args...))
	}
	out("bench", "%s", s.Bench)
	out("agent", "%s, process %d, for %v", s.Version, s.PID, now.Sub(s.Since).Round(time.Second))
	watch := s.Watch
	switch {
	case s.WatchMissing:
		watch += " (does not exist)"
	case s.Polling:
		watch += " (checked now and then: the system sends no events)"
	}
	out("watch", "%s", watch)
	waiting := ""
	if s.WaitingFor != "" {
		waiting = " until " + s.WaitingFor + " is written"
	}
	out("logs", "%d being written, %d waiting%s", s.Growing, s.Waiting, waiting)
	if s.Recording != nil {
		out("recording", "%s, for %v", s.Recording.Log, now.Sub(s.Recording.Since).Round(time.Second))
	}
	if s.Paused != "" {
		out("paused", "%s", s.Paused)
	}
	out("store", "%s", s.Store)
	out("passes", "%d since the start, %d of them bad", s.Passes, s.Bad)
	if s.Alerts > 0 {
		out("alerts", "%d not yet delivered", s.Alerts)
	}
	for _, t := range s.Troubles {
		out("trouble", "since %s: %s -> %s", t.Since.Local().Format("01-02 15:04:05"), t.Text, a.carry(t.Advice))
	}
	if s.Campaign != "" {
		out("campaign", "%s", a.carry(s.Campaign))
	}
	for _, name := range slices.Sorted(maps.Keys(s.Next)) {
		alone := ""
		if s.Then[name] != s.Next[name] {
			alone = ", for the next pass alone"
		}
		out("next", "%s = %s (by hand%s)", name, s.Next[name], alone)
	}
	for _, name := range slices.Sorted(maps.Keys(s.Then)) {
		if s.Then[name] != s.Next[name] {
			out("then", "%s = %s (by hand, after the next pass)", name, s.Then[name])
		}
	}
	if s.Last != nil {
		out("last", "%s", passLine(*s.Last, a.config.Checks.Required))
	}
}

// passLine is a judged pass as one line for people.
func passLine(p record.Pass, required []string) string {
	parts := []string{strings.ToUpper(string(p.Verdict)), p.ID, listing.CellName(p.Tags)}
	if n := p.Tags.Value(record.TagPass); n != "" {
		parts = append(parts, "pass "+n)
	} else if p.Log != "" {
		parts = append(parts, printable(filepath.Base(p.Log)))
	}
	parts = append(parts, output.FPS(p.Metrics.AvgFPS)+" FPS, 1% low "+output.FPS(p.Metrics.Low1FPS))
	if why := listing.DecidedBy(p, required); why != "" {
		parts = append(parts, why)
	}
	return strings.Join(parts, "  ")
}
