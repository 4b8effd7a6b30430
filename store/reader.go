package store

import (
	"context"

	"capd.example/record"
)

// Reader is what commands that only read need of a store. The store of this bench and
// the database of a lab both have it.
type Reader interface {
	Passes(context.Context, Filter) ([]record.Pass, error)
	Each(context.Context, Filter, func(record.Pass) error) error
	Lean(context.Context, Filter, []string, func(record.Pass) error) error
	Batches(context.Context, Filter) ([]Batch, error)
	Pass(ctx context.Context, prefix string) (record.Pass, error)
	Whole(ctx context.Context, prefix string) (Arrival, error)
	Frames(ctx context.Context, id string) (record.Frames, error)
	Telemetry(ctx context.Context, id string) (*record.Telemetry, error)
	System(ctx context.Context, id string) (record.System, error)
	Systems(context.Context) ([]SystemSeen, error)
	Close() error
}
