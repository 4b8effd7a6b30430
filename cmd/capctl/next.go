package main

import (
	"errors"
	"fmt"
	"strings"

	"capd.example/campaign/precision"
	"capd.example/internal/steering"

	"capd.example/internal/cli"
)

// nextCmd is `capctl next`.
type nextCmd struct {
	campaignFlag
	List int    `placeholder:"N" help:"List the next N cells instead; the position stays."`
	By   string `placeholder:"precision" enum:",precision" default:"" help:"'precision' lists the cells by what a further pass of them adds; the position stays."`
	precisionFlags
	JSON bool `name:"json" help:"JSON: the position, or one object per line of a list."`
}

func (c *nextCmd) Run(a *app) error {
	switch {
	case c.By == "precision":
		return c.byPrecision(a)
	case c.List != 0:
		return c.list(a)
	}
	b, page, err := c.page(a)
	if err != nil {
		return err
	}
	if page.Position.Cell < 0 && len(page.Position.History) == 0 {
		return cli.UsageError(errors.New("the plan is not started on bench "+a.config.Bench),
			"'capctl begin' starts the plan")
	}
	_, control := page.Coverage.ControlNow(page.Position)
	if !page.Position.Stay && !control { // goes on by itself
		return steering.ShowPosition(a.Streams, b, page, page.Position.Cell, c.JSON)
	}
	return c.order(a, c.JSON, steering.GoOn)
}

func (c *nextCmd) list(a *app) error {
	if c.List < 0 {
		return cli.UsageError(fmt.Errorf("--list %d is negative", c.List), "give the number of cells to list")
	}
	b, page, err := c.page(a)
	if err != nil {
		return err
	}
	return steering.ShowAhead(a.Streams, b, page, c.List, c.JSON)
}

// precisionFlags say how precisely cells are to be compared.
type precisionFlags struct {
	Difference float64  `default:"1" placeholder:"PERCENT" help:"Difference of two cells that is to be found, in % of the rate."`
	Power      float64  `default:"80" placeholder:"PERCENT" help:"Chance of finding it."`
	Between    []string `placeholder:"FACTOR" help:"Factors whose levels are compared (default: cpu and gpu). May be repeated."`
}

func (f precisionFlags) wish() (precision.Wish, error) {
	w := precision.DefaultWish
	if !(f.Difference > 0 && f.Difference <= 100) {
		return w, cli.UsageError(fmt.Errorf("--difference %g is not between 0 and 100 %%", f.Difference))
	}
	if !(f.Power > 5 && f.Power < 100) {
		return w, cli.UsageError(fmt.Errorf("--power %g is not between 5 and 100 %%", f.Power))
	}
	w.Difference, w.Power = f.Difference/100, f.Power/100
	if len(f.Between) > 0 {
		w.By = f.Between
	}
	return w, nil
}

func (c *nextCmd) byPrecision(a *app) error {
	w, err := c.wish()
	if err != nil {
		return err
	}
	b, page, err := c.page(a)
	if err != nil {
		return err
	}
	for _, f := range c.Between {
		if _, ok := b.Campaign.Factor(f); !ok {
			return cli.UsageError(fmt.Errorf("--between: the campaign has no factor %q; it has %s", f,
				strings.Join(b.Campaign.FactorNames(), ", ")))
		}
	}
	w.SessionSD = a.config.Analysis.SessionSDPercent / 100
	needs := precision.Rank(page.Coverage, page.Position, w)
	if c.List > 0 && len(needs) > c.List {
		needs = needs[:c.List]
	}
	return steering.ShowNeeds(a.Streams, b, page, needs, w, c.JSON)
}
