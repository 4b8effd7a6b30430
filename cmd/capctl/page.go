package main

import (
	"errors"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/listing"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
)

// pageCmd is `capctl page`.
type pageCmd struct {
	Name    string   `placeholder:"NAME" help:"What the device is called in --devices and in the history of verdicts (default: device)."`
	Devices bool     `help:"List what is paired."`
	Revoke  []string `placeholder:"ID" help:"Take a device's right back, at once. May be repeated."`
	Monitor bool     `help:"Print a token with which a program on another machine reads /metrics, and nothing else."`
	JSON    bool     `name:"json" help:"JSON: the invitation, or one object per device."`
}

func (c *pageCmd) Run(a *app) error {
	if c.Devices && (c.Monitor || len(c.Revoke) > 0) || c.Monitor && len(c.Revoke) > 0 {
		return cli.UsageError(errors.New("page: --devices, --revoke and --monitor are three different things"), "give one of them")
	}
	return withAgent(a, func(agent *control.Client) error {
		switch {
		case c.Devices:
			list, err := agent.Devices(a.ctx)
			if err != nil {
				return err
			}
			return listing.Devices(a.Streams, list, c.JSON)
		case len(c.Revoke) > 0:
			for _, id := range c.Revoke {
				if err := agent.Revoke(a.ctx, id); err != nil {
					return err
				}
				a.say("%s may no longer open the page", id)
			}
			return nil
		case c.Monitor:
			token, err := agent.Monitor(a.ctx, c.Name)
			if err != nil {
				return err
			}
			safe.Fprintf(a.stdout, "%s\n", token)
			a.say("it is shown this once; 'capctl page --devices' lists who has one")
			return nil
		}
		i, err := agent.Invite(a.ctx, c.Name)
		if err != nil {
			return err
		}
		if c.JSON {
			return output.JSON(a.stdout, i)
		}
		return listing.Invitation(a.Streams, i, cli.Colours(a.stdout), cli.Width(a.stdout), time.Now())
	})
}
