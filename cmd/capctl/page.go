package main

import (
	"capd.example/control"
	"capd.example/internal/listing"
)

// pageCmd is `capctl page`.
type pageCmd struct {
	Name    string   `placeholder:"NAME" help:"What the device is called in --devices and in the history of verdicts (default: device)."`
	Devices bool     `help:"List what is paired."`
	Revoke  []string `placeholder:"ID" sep:"none" help:"Take a device's right back, at once. May be repeated."`
	Monitor bool     `help:"Print a token with which a program on another machine reads /metrics, and nothing else."`
	JSON    bool     `name:"json" help:"JSON: the invitation, or one object per device."`
}

func (c *pageCmd) Run(a *app) error {
	return withAgent(a, func(agent *control.Client) error { return listing.Door(*c).Open(a.ctx, a.Streams, agent) })
}
