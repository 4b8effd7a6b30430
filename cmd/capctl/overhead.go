package main

import (
	"errors"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/costs"
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
			if o, err = costs.During(a.ctx, agent, o, c.Over); err != nil {
				return err
			}
		}
		if c.JSON {
			return output.JSON(a.stdout, o)
		}
		costs.Show(a.Streams, o)
		return nil
	})
}
