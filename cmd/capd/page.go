package main

import (
	"context"

	"github.com/rs/zerolog"

	"capd.example/agent"
	"capd.example/config"
	"capd.example/page"
	"capd.example/page/gather"
)

// pageParts has the agent show what it does, where the configuration says so.
func pageParts(c config.Config, in agent.Inside, log zerolog.Logger) []agent.Part {
	if c.Page.Listen == "" {
		return nil
	}
	return []agent.Part{{Name: "page", Run: func(ctx context.Context) error {
		g := &gather.Gatherer{Agent: in.Agent, Store: in.Store, Bench: in.Bench, Name: c.Bench, Watch: c.Watch,
			Required: c.Checks.Required}
		if c.Campaign != "" {
			if err := g.Plan(c.Campaign); err != nil {
				return err
			}
		}
		s, err := page.Listen(ctx, page.Options{Listen: c.Page.Listen, Names: c.Page.Names, From: c.From, Source: g,
			Events: in.Events})
		if err != nil {
			// Passes are worth more than showing them.
			in.Raise(ctx, "page", err.Error(), "choose another one under page.listen and start the agent again")
			return err
		}
		log.Info().Str("page", s.Address()).Msgf("the page is at %s", s.Address())
		return s.Run(ctx)
	}}}
}
