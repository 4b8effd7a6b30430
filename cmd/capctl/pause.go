package main

import (
	"errors"
	"fmt"
	"strings"

	"capd.example/control"
	"capd.example/internal/cli"
)

// pauseCmd is `capctl pause`.
type pauseCmd struct {
	Reason string `default:"by hand" placeholder:"TEXT" help:"Why; 'capctl status' shows it."`
}

func (c *pauseCmd) Run(a *app) error {
	return withAgent(a, func(agent *control.Client) error { return agent.Pause(a.ctx, c.Reason) })
}

// resumeCmd is `capctl resume`.
type resumeCmd struct{}

func (*resumeCmd) Run(a *app) error {
	return withAgent(a, func(agent *control.Client) error { return agent.Resume(a.ctx) })
}

// beginCmd is `capctl begin`.
type beginCmd struct {
	Once bool     `help:"For the next pass only; without it until the next 'capctl begin'."`
	Tags []string `arg:"" optional:"" name:"name=value" help:"Tags by hand; an empty value takes one back, none at all takes all back."`
}

func (c *beginCmd) Run(a *app) error {
	tags := map[string]string{}
	for _, t := range c.Tags {
		name, value, ok := strings.Cut(t, "=")
		if !ok || name == "" {
			return cli.UsageError(fmt.Errorf("%q is not a tag", t), "write it as game=NAME")
		}
		tags[name] = value
	}
	if c.Once && len(tags) == 0 {
		return cli.UsageError(errors.New("--once needs a tag"))
	}
	return withAgent(a, func(agent *control.Client) error { return agent.Begin(a.ctx, tags, c.Once) })
}
