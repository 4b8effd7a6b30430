package main

import "capd.example/control"

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
