package main

import (
	"context"
	"errors"
	"slices"

	"capd.example/internal/listing"
	"capd.example/internal/selection"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
)

// passesCmd is `capctl passes`.
type passesCmd struct {
	JSON bool `name:"json" help:"One JSON object per line."`
	filterFlags
}

func (c *passesCmd) Run(a *app) error {
	passes, err := c.passes(a)
	if err != nil {
		return err
	}
	slices.SortStableFunc(passes, listing.ByTime)
	if c.JSON {
		var session map[string]string
		err := withStore(a, func(ctx context.Context, s store.Reader) (err error) {
			session, err = listing.SessionsOf(ctx, s, passes)
			return err
		})
		if err != nil {
			return err
		}
		for _, p := range passes {
			if err := output.JSON(a.stdout, listing.SessionPass{Pass: p, Session: session[p.ID]}); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if len(passes) == 0 {
		c.noPass(a)
		return nil
	}
	return withStore(a, func(ctx context.Context, s store.Reader) error {
		repeated, err := listing.RepeatedSince(ctx, s, passes)
		if err == nil {
			listing.PrintPasses(a.Streams, passes, a.config.Checks.Required, repeated)
		}
		return err
	})
}

// showCmd is `capctl show`.
type showCmd struct {
	ID        string `arg:"" help:"Identity of the pass, or the beginning of it."`
	JSON      bool   `name:"json" help:"One JSON object."`
	Telemetry bool   `xor:"what" help:"Also sum up the samples taken while it ran: clocks, temperatures, loads, and who used the processor."`
	History   bool   `xor:"what" help:"Instead list how its verdict came about: every check, every verdict set by hand and taken back, by whom and why."`
}

func (c *showCmd) Run(a *app) error {
	return withStore(a, func(ctx context.Context, s store.Reader) error {
		p, err := s.Pass(ctx, c.ID)
		if err != nil {
			return selection.PassError(err)
		}
		if c.History {
			return c.history(a, s, p)
		}
		session, err := listing.SessionsOf(ctx, s, []record.Pass{p})
		if err != nil {
			return err
		}
		line := listing.SessionPass{Pass: p, Session: session[p.ID]}
		var t *listing.Samples
		if c.Telemetry {
			if t, err = listing.SamplesOf(ctx, s, p.ID); err != nil {
				return err
			}
		}
		switch {
		case c.JSON && c.Telemetry:
			return output.JSON(a.stdout, listing.ShownPass{SessionPass: line, Telemetry: t})
		case c.JSON:
			return output.JSON(a.stdout, line)
		}
		listing.ShowPass(a.Streams, line)
		if c.Telemetry {
			listing.ShowSamples(a.Streams, t)
		}
		return nil
	})
}

// history lists the judgements of a pass, oldest first.
func (c *showCmd) history(a *app, r store.Reader, p record.Pass) error {
	s, is := r.(*store.Store)
	if !is {
		return cli.UsageError(errors.New("--history needs the bench's own store: a lab keeps only the latest verdict"))
	}
	list, err := s.Judgements(a.ctx, p.ID)
	if err != nil {
		return cli.FailedError(err)
	}
	return listing.PrintJudgements(a.Streams, p.ID, list, a.config.Checks.Required, c.JSON)
}
