package selection

import (
	"capd.example/analysis"
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// read returns the passes that a filter selects.
func (q Query) read(ctx context.Context, r store.Reader, f store.Filter) (out []record.Pass, err error) {
	add := func(p record.Pass) error {
		out = append(out, p)
		return nil
	}
	if q.Whole || len(q.Old) > 0 { // older passes are compared by all that is known
		err = r.Each(ctx, f, add)
	} else {
		err = r.Lean(ctx, f, analysis.Checks(), add)
	}
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("read the passes: %w", err))
	}
	return out, nil
}

// pick selects passes. With a campaign only those are read that may be of it; the others are
// counted.
func (sel *Basis) pick(ctx context.Context, r store.Reader, s *Scope, q Query) error {
	filter, err := q.Filter.Parse(time.Now())
	if err != nil {
		return err
	}
	_, tagged := filter.Tags[record.TagCampaign]
	if s == nil || tagged || filter.Limit > 0 || q.Whole {
		passes, err := q.read(ctx, r, filter)
		if err != nil {
			return err
		}
		if filter.Newest {
			slices.Reverse(passes)
		}
		own, others := s.Own(passes)
		sel.take(s, own, batches(others))
		return nil
	}
	counted, err := r.Batches(ctx, filter)
	if err != nil {
		return cli.FailedError(fmt.Errorf("count the passes: %w", err))
	}
	names := append(s.Book.Campaign.Names(), "")
	var passes []record.Pass
	for _, of := range names {
		f := filter
		f.Tags = maps.Clone(filter.Tags)
		f.Tags[record.TagCampaign] = of
		part, err := q.read(ctx, r, f)
		if err != nil {
			return err
		}
		for _, p := range part {
			if p.Tags.Value(record.TagCampaign) == of { // the filter takes patterns
				passes = append(passes, p)
			}
		}
	}
	slices.SortStableFunc(passes, func(a, b record.Pass) int {
		return cmp.Or(a.StartedAt.Compare(b.StartedAt), cmp.Compare(a.ID, b.ID))
	})
	own, others := s.Own(passes)
	left := batches(others)
	for _, b := range counted {
		if !slices.Contains(names, b.Campaign) {
			left = append(left, batch{Campaign: b.Campaign, Passes: b.Passes, From: b.From, To: b.To})
		}
	}
	sortBatches(left)
	sel.take(s, own, left)
	return nil
}

// beside returns all passes of the benches of the selected ones, of the scope and others:
// those of no other bench tell how much passes and sessions of these differ.
func (sel *Basis) beside(ctx context.Context, r store.Reader, s *Scope) (own, others []record.Pass, err error) {
	benches := map[string]bool{}
	for _, p := range sel.Passes {
		benches[p.Bench] = true
	}
	if len(benches) == 0 {
		return nil, nil, nil
	}
	var passes []record.Pass
	err = r.Lean(ctx, store.Filter{Benches: slices.Sorted(maps.Keys(benches))}, nil, func(p record.Pass) error {
		passes = append(passes, p)
		return nil
	})
	if err != nil {
		return nil, nil, cli.FailedError(fmt.Errorf("read the passes of the benches: %w", err))
	}
	own, others = s.Own(passes)
	return own, others, nil
}
