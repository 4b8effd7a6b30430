package judging

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"capd.example/record"
	"capd.example/store"
)

// ByHand changes by set how a pass counts, and has those judged again that saw it: noted before
// as well as after, since this program may be killed in between, and another may take them up.
// Factors are those of a cell.
func ByHand(ctx context.Context, s *store.Store, factors []string, p record.Pass, set func() error) error {
	again := func(ctx context.Context) error { return s.LookAgain(ctx, p, factors, EarlierPasses) }
	if err := again(ctx); err != nil {
		return err
	}
	// who ordered it may be gone by now
	return errors.Join(set(), again(context.WithoutCancel(ctx)))
}

// Settler works out again what depends on the passes of a cell, after a change of the store, and
// stores it; what validators found stands.
type Settler struct {
	Cells
	// Steps works out what the passes beside one mean for it, as a pipeline does; Factors are
	// those of its cells.
	Steps interface {
		Settle(context.Context, record.Pass) (record.Examined, error)
	}
	Factors []string
	// Before is called ahead of each pass; its error ends the work. Nil for nothing.
	Before func(context.Context) error
}

// Cell does so for the cell of a pass that counts in another way now, but not for that pass. It
// returns the passes that have other findings.
func (s Settler) Cell(ctx context.Context, p record.Pass) (moved []record.Moved, err error) {
	cell := p.Tags.Cell(s.Factors)
	list, err := s.Store.Passes(ctx, store.Filter{Tags: cell, Bench: p.Bench})
	if err != nil {
		return nil, err
	}
	list = slices.DeleteFunc(list, func(n record.Pass) bool { // the filter takes patterns
		return n.ID == p.ID || n.Verdict == "" || !maps.Equal(n.Tags.Cell(s.Factors), cell)
	})
	slices.SortStableFunc(list, func(a, b record.Pass) int { // the nearest first
		return cmp.Compare(a.StartedAt.Sub(p.StartedAt).Abs(), b.StartedAt.Sub(p.StartedAt).Abs())
	})
	var settled []record.Pass
	for _, n := range list {
		if slices.ContainsFunc(settled, n.Comparable) {
			continue
		}
		settled = append(settled, n)
		more, err := s.Pass(ctx, n.ID)
		if err != nil {
			return moved, err
		}
		moved = append(moved, more...)
	}
	return moved, nil
}

// Pass does so for the cell of a pass and that pass too.
func (s Settler) Pass(ctx context.Context, id string) ([]record.Moved, error) {
	for {
		if s.Before != nil {
			if err := s.Before(ctx); err != nil {
				return nil, err
			}
		}
		p, err := s.Store.Pass(ctx, id)
		if err != nil || p.Verdict == "" {
			return nil, err
		}
		o, err := s.Steps.Settle(ctx, p)
		if err == nil && (len(o.Others) > 0 || !slices.EqualFunc(p.Findings, o.Pass.Findings, SameFinding)) {
			err = s.Cells.Settle(ctx, o)
		}
		if errors.Is(err, record.ErrMeanwhile) && ctx.Err() == nil {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("compare the passes beside %s again: %w", id, err)
		}
		return append(o.Others, record.Moved{Pass: o.Pass, Was: p.Verdict}), nil
	}
}

// SameFinding compares as stored: an empty map and none are the same, and so are numbers that
// differ by what times lose when they are stored as whole microseconds.
func SameFinding(a, b record.Finding) bool {
	if len(a.Numbers) != len(b.Numbers) {
		return false
	}
	for name, x := range a.Numbers {
		y, there := b.Numbers[name]
		if !there || math.Abs(x-y) > 1e-5*math.Max(1, math.Abs(x)) {
			return false
		}
	}
	return a.Check == b.Check && a.Outcome == b.Outcome && a.Version == b.Version && a.Reason == b.Reason &&
		a.Advice == b.Advice && maps.Equal(a.Params, b.Params)
}
