package main

import (
	"errors"
	"net/netip"
	"time"

	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/page"
	"capd.example/page/gather"
	"capd.example/store/lab"
)

// labPageCmd is `capctl lab page`.
type labPageCmd struct {
	Listen string        `default:"127.0.0.1:8471" placeholder:"ADDRESS" help:"Where the page is, on this machine."`
	Every  time.Duration `default:"10s" help:"How often to look while a page is open."`
}

func (c *labPageCmd) Run(a *app, parent *labCmd) error {
	at, err := netip.ParseAddrPort(c.Listen)
	if err != nil || !at.Addr().IsLoopback() {
		return cli.UsageError(errors.New("--listen "+c.Listen+" is no address of this machine alone"),
			"write it as 127.0.0.1:8471")
	}
	if c.Every < time.Second {
		return cli.UsageError(errors.New("--every is less than a second"))
	}
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	if _, err := l.See(a.ctx, time.Hour); err != nil { // before a browser is told
		return labError(err)
	}
	// as capctl lab watch has them
	limits := lab.Limits{Silent: 30 * time.Minute, Clock: 2, Backlog: 100, Bad: 5, Within: time.Hour}
	events := &control.Hub{}
	err = page.Serve(a.ctx, page.Options{Page: config.Page{Listen: c.Listen}, Events: events, Every: c.Every,
		Source:  &gather.Lab{Lab: l, Limits: limits, Required: a.config.Checks.Required, Events: events},
		Started: func(at string) { a.say("the lab's page is at http://%s/ until you interrupt this command", at) }})
	if err != nil {
		return cli.FailedError(err, "choose another port with --listen")
	}
	return nil
}
