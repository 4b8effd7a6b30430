package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"strings"
	"time"

	"capd.example/internal/steering"
	safe "capd.example/internal/text"

	"capd.example/campaign"
	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/record"
	"capd.example/store"
	"capd.example/sysinfo"
)

// campaignFlag names the campaign of a command.
type campaignFlag struct {
	Campaign string `placeholder:"FILE" help:"Campaign file (default: the one in the configuration)."`
}

// book opens the campaign.
func (f campaignFlag) book(a *app) (*logbook.Book, error) {
	file := f.Campaign
	if file == "" {
		file = a.config.Campaign
	}
	if _, err := loadCampaign(a, file); err != nil {
		return nil, err
	}
	b, err := logbook.Open(file)
	if err != nil {
		return nil, cli.UsageError(err)
	}
	b.Clock = time.Now
	return b, nil
}

// page opens the campaign and works out where it stands; without a store it stands at
// its beginning.
func (f campaignFlag) page(a *app) (*logbook.Book, logbook.Page, error) {
	b, err := f.book(a)
	if err != nil {
		return nil, logbook.Page{}, err
	}
	s, err := store.Open(a.ctx, a.config.StoreFile(), store.Options{ReadOnly: true})
	if errors.Is(err, store.ErrNoStore) {
		page := logbook.Page{}
		page.Position, page.Coverage = b.Plan.Replay(nil, nil)
		return b, page, nil
	}
	if err != nil {
		return nil, logbook.Page{}, cli.FailedError(err)
	}
	defer s.Close()
	page, err := b.Read(a.ctx, s, a.config.Bench)
	if err != nil {
		return nil, logbook.Page{}, cli.FailedError(fmt.Errorf("read where the campaign stands: %w", err))
	}
	return b, page, nil
}

// order gives the orders that decide returns and prints where that leads.
func (f campaignFlag) order(a *app, asJSON bool,
	decide func(context.Context, *logbook.Book, *store.Store, logbook.Page) ([]campaign.Order, error)) error {
	b, err := f.book(a)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(a.config.Data, 0o700); err != nil {
		return cli.FailedError(fmt.Errorf("make the folder of the store: %w", err))
	}
	s, err := openOrMakeStore(a)
	if err != nil {
		return err
	}
	defer s.Close()
	page, err := b.Read(a.ctx, s, a.config.Bench)
	if err != nil {
		return cli.FailedError(fmt.Errorf("read where the campaign stands: %w", err))
	}
	orders, err := decide(a.ctx, b, s, page)
	if err != nil {
		return err
	}
	before := page.Position.Cell
	if len(orders) > 0 {
		if err := b.Give(a.ctx, s, a.config.Bench, orders...); err != nil {
			return cli.FailedError(fmt.Errorf("note the order: %w", err))
		}
		page.Orders = append(page.Orders, orders...)
		page.Position, page.Coverage = b.Plan.ReplayOn(page.Orders, page.Passes, page.Now)
	}
	return steering.ShowPosition(a.Streams, b, page, before, asJSON)
}

// beginCmd is `capctl begin`.
type beginCmd struct {
	campaignFlag
	ByHand bool     `help:"Give the coming passes these tags by hand also where a campaign is in force."`
	Once   bool     `help:"By hand and for the next pass only; without it until the next 'capctl begin'."`
	New    bool     `help:"By hand, a tag of a name that is close to a known one is meant."`
	JSON   bool     `name:"json" help:"One JSON object: the position in the campaign."`
	Tags   []string `arg:"" optional:"" name:"name=value" help:"With a campaign, where to begin: the first open cell with these levels and, beside them, the parts that are built in. Without one, tags by hand; an empty value takes one back, none at all takes all back."`
}

func (c *beginCmd) Run(a *app) error {
	if !c.ByHand && !c.Once && (c.Campaign != "" || a.config.Campaign != "") {
		return c.order(a, c.JSON, func(ctx context.Context, b *logbook.Book, s *store.Store,
			page logbook.Page) ([]campaign.Order, error) {
			return c.decide(ctx, a, b, s, page)
		})
	}
	tags := map[string]string{}
	for _, t := range c.Tags {
		name, value, ok := strings.Cut(t, "=")
		if !ok || name == "" {
			return cli.UsageError(fmt.Errorf("%q is not a tag", t), "write it as game=NAME")
		}
		tags[name] = value
	}
	if c.Once && len(tags) == 0 {
		return cli.UsageError(errors.New("--once needs a tag"), "type: capctl begin --once NAME=VALUE")
	}
	return withAgent(a, func(agent *control.Client) error {
		if err := c.checkNames(a, tags); err != nil {
			return err
		}
		if err := agent.Begin(a.ctx, tags, c.Once); err != nil {
			return err
		}
		return c.sayHand(a, agent)
	})
}

// sayHand says which tags the coming passes get now.
func (c *beginCmd) sayHand(a *app, agent *control.Client) error {
	s, err := agent.Status(a.ctx)
	if err != nil {
		return err
	}
	back := "'capctl begin' without tags undoes that"
	if a.config.Campaign != "" || c.Campaign != "" { // where that would begin the plan
		back = "'capctl begin --by-hand' without tags undoes that"
	}
	switch {
	case len(s.Next)+len(s.Then) == 0:
		safe.Fprintln(a.stderr, "capctl: no tags by hand are set")
	case maps.Equal(s.Next, s.Then):
		a.say("the coming passes get %s; %s", steering.Pairs(s.Next), back)
	case len(s.Then) == 0:
		a.say("only the next pass gets %s; %s", steering.Pairs(s.Next), back)
	case len(s.Next) == 0:
		a.say("the next pass gets no tags by hand, those after it %s; %s", steering.Pairs(s.Then), back)
	default:
		a.say("the next pass gets %s, those after it %s; %s", steering.Pairs(s.Next), steering.Pairs(s.Then), back)
	}
	return nil
}

// checkNames keeps slips out of the tags of all passes to come, as `capctl tag` does.
func (c *beginCmd) checkNames(a *app, tags map[string]string) error {
	s, err := openToRead(a)
	if errors.Is(err, store.ErrNoStore) {
		return checkNames(a, nil, tags, c.New)
	} else if err != nil {
		return err
	}
	defer s.Close()
	return checkNames(a, s, tags, c.New)
}

// decide finds the cell to begin with: of those asked for, the first that is open.
func (c *beginCmd) decide(ctx context.Context, a *app, b *logbook.Book, s *store.Store,
	page logbook.Page) ([]campaign.Order, error) {
	asked, err := steering.CellValues(b, c.Tags)
	if err != nil {
		return nil, err
	}
	cells, err := b.Plan.Find(asked)
	if err != nil {
		return nil, cli.UsageError(err)
	}
	if len(cells) == 0 {
		return nil, cli.UsageError(fmt.Errorf("no cell has %s: the campaign excludes it", strings.Join(c.Tags, " ")))
	}
	now := sysinfo.New(sysinfo.Options{}).Detect(ctx)
	parts := builtIn(ctx, a, b, s, now)
	for _, note := range steering.Unplaced(b, now, parts, asked) {
		a.say("note: %s", note)
	}
	for name, level := range asked {
		if is := parts[name]; is != "" && is != level {
			safe.Fprintf(a.stderr,
				"capctl: note: you asked for %s=%s, but %s is built in; the agent flags passes until you swap it\n", name, level,
				is)
		}
	}
	return []campaign.Order{steering.At(b, page, steering.Start(b, page, cells, parts))}, nil
}

// builtIn returns the levels that this machine has now, and beside them those that the
// bench had for its last pass.
func builtIn(ctx context.Context, a *app, b *logbook.Book, s *store.Store, now record.System) map[string]string {
	parts := map[string]string{}
	if sys, ok, err := s.LastSystem(ctx, a.config.Bench, ""); err == nil && ok {
		parts = b.Installed(sys)
	}
	maps.Copy(parts, b.Installed(now))
	return parts
}
