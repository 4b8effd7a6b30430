package main

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/internal/steering"
	"capd.example/record"
	"capd.example/store"
)

// backCmd is `capctl back`.
type backCmd struct {
	campaignFlag
	JSON bool     `name:"json" help:"One JSON object: the position."`
	Cell []string `arg:"" optional:"" name:"factor=level" help:"The cell to go back to (default: with the parts that are built in, the one recorded last before the current one, else the one before in the plan)."`
}

func (c *backCmd) Run(a *app) error {
	return c.order(a, c.JSON, func(_ context.Context, b *logbook.Book, _ *store.Store,
		page logbook.Page) ([]campaign.Order, error) {
		cell, err := steering.BackTarget(a.Streams, b, page, c.Cell)
		if err != nil {
			return nil, err
		}
		return []campaign.Order{{Verb: campaign.Back, Cell: b.Plan.Cell(cell), Stay: true, At: time.Now().UTC()}}, nil
	})
}

// skipCmd is `capctl skip`.
type skipCmd struct {
	campaignFlag
	JSON bool     `name:"json" help:"One JSON object: the position."`
	Undo bool     `help:"Take cells up again that are skipped: those selected by the same words, without any those of the last 'capctl skip'."`
	What []string `arg:"" optional:"" name:"factor=level|id" help:"All cells with these levels, where * and ? match any text, and those of the passes with these identities; the options select cells by their passes, --tag by their levels (default: the current cell)."`
	filterFlags
}

func (c *skipCmd) Run(a *app) error {
	n, open, there := 0, 0, ""
	err := c.order(a, c.JSON, func(ctx context.Context, b *logbook.Book, s *store.Store,
		page logbook.Page) ([]campaign.Order, error) {
		cells, err := c.cells(a, b, s, page)
		if err != nil {
			return nil, err
		}
		orders, missing := steering.Leave(b, page, cells, c.Undo)
		if n, open = len(orders), missing; n == 0 {
			return nil, cli.FailedError(errors.New("none of these cells is skipped"),
				"'capctl coverage --open' lists the skipped ones")
		}
		there = steering.Stays(b, page, orders)
		return orders, nil
	})
	if err != nil {
		return err
	}
	if c.Undo {
		a.say("%s back in the plan, %s open%s", record.Count(n, "cell"), record.Count(open, "pass"), there)
		return nil
	}
	a.say("%s skipped, %s open; undo with '%s'", record.Count(n, "cell"), record.Count(open, "pass"),
		strings.Join(append([]string{"capctl skip --undo"}, c.words()...), " "))
	return nil
}

// words are what selected the cells, as one types it.
func (c *skipCmd) words() []string {
	var out []string
	typed := func(w string) string {
		name, value, ok := strings.Cut(w, "=")
		if !ok {
			return quoted(w)
		}
		return quoted(name) + "=" + quoted(value)
	}
	for _, w := range c.What {
		out = append(out, typed(w))
	}
	for _, t := range c.Tag {
		out = append(out, "--tag "+typed(t))
	}
	if c.Since != "" {
		out = append(out, "--since "+quoted(c.Since))
	}
	if c.Until != "" {
		out = append(out, "--until "+quoted(c.Until))
	}
	for _, v := range c.Verdict {
		out = append(out, "--verdict "+quoted(v))
	}
	return out
}

// cells returns the selected cells: by words alone the current one, or for --undo those
// that the last skip left out.
func (c *skipCmd) cells(a *app, b *logbook.Book, s *store.Store, page logbook.Page) ([]int, error) {
	var levels, ids []string
	for _, w := range c.What {
		if strings.Contains(w, "=") {
			levels = append(levels, w)
		} else {
			ids = append(ids, w)
		}
	}
	if len(levels)+len(ids) == 0 && c.IsZero() {
		switch {
		case c.Undo:
			return steering.LastSkipped(b, page), nil
		case page.Position.Cell < 0:
			return nil, cli.UsageError(errors.New("no cell is current"),
				"'capctl begin' starts the plan; 'capctl skip factor=level' names the cells")
		}
		return []int{page.Position.Cell}, nil
	}
	cells, err := steering.Matching(b, append(levels, c.Tag...))
	if err != nil {
		return nil, err
	}
	byPasses := c.filterFlags
	byPasses.Tag = nil // of cells, also of those without a pass
	if len(ids) > 0 || !byPasses.IsZero() {
		passes, err := byPasses.named(a, s, ids)
		if err != nil {
			return nil, err
		}
		var of []int
		for _, p := range passes {
			if i, _ := b.Plan.Place(b.Named(p).Tags); i >= 0 {
				of = append(of, i)
			}
		}
		slices.Sort(of)
		cells = steering.Common(cells, slices.Compact(of))
	}
	if len(cells) == 0 {
		return nil, cli.UsageError(errors.New("no cell of the campaign is selected"), "'capctl coverage' shows the cells")
	}
	return cells, nil
}
