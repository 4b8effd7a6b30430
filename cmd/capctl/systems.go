package main

import (
	"context"
	"fmt"

	"capd.example/internal/cli"
	"capd.example/internal/listing"
	"capd.example/store"
)

// systemsCmd is `capctl systems`.
type systemsCmd struct {
	JSON bool `name:"json" help:"One JSON object per system with all its fields."`
}

func (c *systemsCmd) Run(a *app) error {
	return withStore(a, func(ctx context.Context, s store.Reader) error {
		list, err := s.Systems(ctx)
		if err != nil {
			return cli.FailedError(fmt.Errorf("read the systems: %w", err))
		}
		return listing.PrintSystems(a.Streams, list, c.JSON)
	})
}
