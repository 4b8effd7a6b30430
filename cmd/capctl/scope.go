package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"capd.example/analysis"
	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/selection"
	"capd.example/record"
	"capd.example/store"
)

// scopeFlags say whose passes a conclusion rests on: with a campaign its own, and older
// ones only where they may stand beside them.
type scopeFlags struct {
	campaignFlag
	Any    bool     `help:"Passes of all campaigns and of none; without it those of the campaign in force."`
	Old    []string `placeholder:"NAME=VALUE" help:"Older passes with this tag stand in for cells that the campaign has no pass of, where 'capctl reuse' allows it. May be repeated."`
	Accept []string `placeholder:"NAME" help:"A difference of the older passes that you take responsibility for, by the name that 'capctl reuse' prints. May be repeated."`
}

// open returns the campaign whose passes are asked for, nil where all are.
func (f scopeFlags) open(a *app, r store.Reader, filter filterFlags) (*selection.Scope, error) {
	named := slices.Contains(selection.TagNames(filter.Tag), record.TagCampaign)
	if cmp.Or(f.Campaign, a.config.Campaign) == "" || f.Any || named && f.Campaign == "" {
		if len(f.Old) > 0 {
			return nil, cli.UsageError(errors.New("--old needs a campaign to compare the older passes with"),
				"name its file with --campaign, or compare any passes with 'capctl reuse --old NAME=VALUE --new NAME=VALUE'")
		}
		return nil, nil
	}
	b, err := f.book(a)
	var e *cli.Error
	if errors.As(err, &e) {
		e.Hints = append(e.Hints, "--any takes all passes, whatever their campaign")
	}
	if err != nil {
		return nil, err
	}
	var orders []campaign.Order
	if s, ok := r.(*store.Store); ok {
		if orders, err = b.Orders(a.ctx, s, a.config.Bench); err != nil {
			return nil, cli.FailedError(err)
		}
	}
	era, err := b.Era(a.ctx, r, orders)
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("read the passes of the campaign: %w", err))
	}
	return &selection.Scope{Book: b, Era: era}, nil
}

// choose selects the passes that a conclusion rests on and sets in o what follows from the
// campaign: its factors and levels, and the passes whose spread counts.
func (f analysisFlags) choose(a *app, filter filterFlags, o *analysis.Options, by ...string) (sel selection.Basis,
	err error) {
	if err := filter.Check(nil); err != nil { // before a store is looked for
		return sel, err
	}
	f.Any = f.Any || slices.Contains(by, record.TagCampaign)
	err = withStore(a, func(ctx context.Context, r store.Reader) error {
		s, err := f.open(a, r, filter)
		if err != nil {
			return err
		}
		sel, err = selection.Choose(ctx, a.Streams, r, s,
			selection.Query{Filter: filter.Filter, Factors: f.Factor, By: by, Old: f.Old, Accept: f.Accept,
				Alone: f.Alone, Whole: f.whole}, o)
		return err
	})
	return sel, err
}
