package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"

	"capd.example/internal/steering"

	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/output"
)

// planCmd is `capctl plan`.
type planCmd struct {
	File  string   `arg:"" optional:"" help:"Campaign file (default: the one in the configuration)."`
	Hours float64  `placeholder:"N" help:"Hours of work a day (default: the campaign's)."`
	Try   []string `placeholder:"CHANGES" sep:"none" help:"Compare with a changed plan: 'drop preset=low, add game=NAME, passes=2, minutes gpu=10'. May be repeated; the file is not touched."`
	Cells bool     `help:"List the cells in order."`
	JSON  bool     `name:"json" help:"One JSON object per line: the plans, or with --cells the cells."`
}

func (c *planCmd) Run(a *app) error {
	if c.Hours < 0 || c.Hours > 24 || math.IsNaN(c.Hours) {
		return cli.UsageError(fmt.Errorf("--hours %g is not between 0 and 24", c.Hours))
	}
	camp, err := loadCampaign(a, c.File)
	if err != nil {
		return err
	}
	p, err := campaign.NewPlan(camp)
	if err != nil {
		return cli.UsageError(err)
	}
	if c.Cells {
		return steering.PlanCells(a.Streams, p, c.JSON)
	}
	lines := []steering.PlanLine{steering.SumUpPlan(camp.Name, p, c.Hours)}
	for _, try := range c.Try {
		changed, err := camp.WhatIf(try)
		if err != nil {
			return cli.UsageError(fmt.Errorf("--try: %w", err))
		}
		p, err := campaign.NewPlan(changed)
		if err != nil {
			return cli.UsageError(fmt.Errorf("--try %q: %w", try, err))
		}
		lines = append(lines, steering.SumUpPlan(try, p, c.Hours))
	}
	if c.JSON {
		for _, l := range lines {
			if err := output.JSON(a.stdout, l); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if len(lines) == 1 {
		steering.ShowPlan(a.Streams, camp, lines[0])
	} else {
		steering.ComparePlans(a.Streams, lines)
	}
	return nil
}

// loadCampaign reads the named campaign file, or the one of the configuration.
func loadCampaign(a *app, file string) (*campaign.Campaign, error) {
	if file == "" {
		file = a.config.Campaign
	}
	if file == "" {
		return nil, cli.UsageError(errors.New("no campaign is named"),
			"put campaign = \"FILE\" into the configuration, or name the file; examples/campaign/campaign.toml is a commented one")
	}
	c, err := campaign.Load(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, cli.FailedError(err, "examples/campaign/campaign.toml is a commented example to start from")
	case err != nil:
		return nil, cli.UsageError(err)
	}
	return c, nil
}
