package main

import (
	"errors"
	"fmt"
	"maps"
	"os/user"
	"slices"

	"capd.example/internal/listing"
	safe "capd.example/internal/text"

	"capd.example/control"
	"capd.example/internal/cli"
)

// alertsCmd is `capctl alerts`.
type alertsCmd struct {
	JSON    bool     `name:"json" help:"One JSON object per alert."`
	Open    bool     `help:"Only alerts that nobody has acknowledged."`
	Limit   int      `default:"50" placeholder:"N" help:"At most N alerts, the latest."`
	Ack     []string `placeholder:"ID" help:"Acknowledge this alert (beginning of its identity). May be repeated."`
	AckAll  bool     `help:"Acknowledge every open alert."`
	Test    bool     `help:"Let the running agent try its channels."`
	Channel string   `placeholder:"NAME" help:"With --test: only this channel."`
}

func (c *alertsCmd) Run(a *app) error {
	switch {
	case c.Test:
		return c.test(a)
	case len(c.Ack) > 0 || c.AckAll:
		return c.acknowledge(a)
	case c.Channel != "":
		return cli.UsageError(errors.New("--channel needs --test"))
	}
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	defer s.Close()
	list, err := listing.Alerts(a.ctx, s, c.Open, c.Limit)
	if err != nil {
		return cli.FailedError(err)
	}
	return listing.PrintAlerts(a.Streams, list, c.Open, c.JSON)
}

func (c *alertsCmd) acknowledge(a *app) error {
	if _, err := openToReadClose(a); err != nil {
		return err // acknowledging must not make a store where there is none
	}
	s, err := openStore(a, false)
	if err != nil {
		return err
	}
	defer s.Close()
	list, err := listing.Alerts(a.ctx, s, c.AckAll, 0)
	if err != nil {
		return cli.FailedError(err)
	}
	if !c.AckAll {
		if list, err = listing.ChooseAlerts(list, c.Ack); err != nil {
			return err
		}
	}
	for _, t := range list {
		for _, row := range t.Rows {
			if err := s.Acknowledge(a.ctx, row, userName()); err != nil {
				return cli.FailedError(err)
			}
		}
	}
	safe.Fprintf(a.stderr, "capctl: acknowledged %d\n", len(list))
	return nil
}

func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "somebody"
}

func (c *alertsCmd) test(a *app) error {
	return withAgent(a, func(agent *control.Client) error {
		answers, err := agent.TestAlert(a.ctx, c.Channel)
		if err != nil {
			return err
		}
		if len(answers) == 0 {
			return cli.FailedError(fmt.Errorf("the agent has no channel %q", c.Channel),
				"'capctl alerts --test' tries all and names them")
		}
		failed := false
		for _, name := range slices.Sorted(maps.Keys(answers)) {
			if answers[name] != nil {
				failed = true
				safe.Fprintf(a.stdout, "%s: %v\n", name, answers[name])
				continue
			}
			safe.Fprintf(a.stdout, "%s: delivered\n", name)
		}
		if failed {
			return cli.ErrFound
		}
		return nil
	})
}
