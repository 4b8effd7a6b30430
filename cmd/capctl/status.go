package main

import (
	"errors"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/listing"
	"capd.example/internal/output"
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
		listing.Status(a.Streams, s, a.config.Checks.Required, time.Now())
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
