package judging

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"capd.example/config"
	"capd.example/internal/critical"
	"capd.example/plugins/agreement"
	"capd.example/record"
	"capd.example/store"
)

// Cells is the part of a store that has the passes of a cell judged together, as
// [pipeline.Store] wants it.
type Cells struct {
	Store    *store.Store
	Why, Who string // of findings that replace others; without Why it is the pass that came in
	Tell     bool   // as in [store.Settled]
}

// Again is why a pass was judged again that was put back, see [store.Settled].
const Again = "its tags or an earlier pass of its cell changed"

// Earlier implements [pipeline.Store].
func (c Cells) Earlier(ctx context.Context, p record.Pass, cell map[string]string) ([]record.Earlier, error) {
	return c.Store.Earlier(ctx, p.Bench, cell, p.ID, EarlierPasses)
}

// Beside implements [pipeline.Store].
func (c Cells) Beside(ctx context.Context, p record.Pass, cell []string) ([]record.Pass, string, error) {
	list, mark, err := c.Store.Beside(ctx, p, cell)
	return list, mark, meanwhile(err)
}

// Settle implements [pipeline.Store].
func (c Cells) Settle(ctx context.Context, o record.Examined) error {
	s := store.Settled{Pass: o.Pass, Mark: o.Mark, Cell: o.Cell, Why: c.Why, Who: c.Who, Tell: c.Tell,
		Later: EarlierPasses, Among: critical.Check, Again: c.Why}
	if s.Why == "" {
		s.Why, s.Again = "beside pass "+o.Pass.ID, Again
	}
	for _, m := range o.Others {
		s.Others = append(s.Others, m.Pass)
	}
	return meanwhile(c.Store.Settle(ctx, s))
}

func meanwhile(err error) error {
	if errors.Is(err, store.ErrMeanwhile) {
		return fmt.Errorf("%w: %w", record.ErrMeanwhile, err)
	}
	return err
}

// Settle returns the function that decides which passes of a cell agree, by the rule that
// the settings of that check make, [critical.Rule.Verdicts]: for every pass of the cell that
// has a finding of that check, from those that may be held against each other. Spread tells
// how well passes of one session repeat, across those of different ones, which is asked only
// where the cell has several; what they tell of the last pass in time counts for all. A pass
// without the finding, because the check is switched off, leaves all as they are.
//
// Sessions are those of the cell's own passes, so that what is found depends on them alone.
// An exchange of parts and back within [record.SessionGap] and without a restart known by
// the tag boot goes unseen here.
//
// Where a pass is doubtful, around tells which other cells it may belong to, see [guess]; nil asks
// for none. That changes the words alone.
func Settle(c config.Checks, spread, across History, around Around) func(context.Context, record.Pass, []record.Pass) (record.Pass,
	[]record.Moved, error) {
	rule, wrong := agreement.RuleOf(c.Params[critical.Check])
	return func(ctx context.Context, p record.Pass, beside []record.Pass) (record.Pass, []record.Moved, error) {
		own, has := finding(p)
		if !has || wrong != nil { // the validator itself says what is wrong with the settings
			return p, nil, nil
		}
		if !p.Tags.NamesCell() {
			p.Findings = slices.Clone(p.Findings)
			p.Findings[slices.IndexFunc(p.Findings, isAgreement)] = critical.NotComparable(own, p.ID)
			return p, nil, nil
		}
		passes, last := []record.Pass{p}, p
		for _, o := range beside {
			if !o.Comparable(p) {
				continue
			}
			passes = append(passes, o)
			if later(o, last) {
				last = o
			}
		}
		within, err := spread(ctx, last)
		if err != nil {
			return p, nil, err
		}
		cell := critical.PassesOf(passes)
		var between map[string]record.Spread
		if slices.ContainsFunc(cell, func(o critical.Pass) bool { return o.Session != cell[0].Session }) {
			if between, err = across(ctx, last); err != nil {
				return p, nil, err
			}
		}
		found := rule.Verdicts(cell, within, between)
		if len(cell) == 1 && len(beside) > 0 {
			f := found[p.ID]
			f.Reason = fmt.Sprintf("nothing to compare with: %s of its cell with another set-up of the bench or for another campaign", record.Count(len(beside), "pass"))
			found[p.ID] = f
		}
		if err := ask(ctx, around, last, found, passes, within[critical.Average].SD); err != nil {
			return p, nil, err
		}
		with := func(p record.Pass) record.Pass {
			f := found[p.ID]
			f.Check, f.Version, f.Params = own.Check, own.Version, own.Params
			p.Findings = slices.Clone(p.Findings)
			p.Findings[slices.IndexFunc(p.Findings, isAgreement)] = f
			return p
		}
		var moved []record.Moved
		for _, o := range beside {
			before, has := finding(o)
			if !has || !o.Comparable(p) || !tells(before, found[o.ID]) {
				continue
			}
			now := with(o)
			m := record.Moved{Pass: now, Was: o.Verdict}
			if m.Pass.Verdict = record.Judge(now.Findings, c.Required); o.Overruled != "" {
				m.Was = m.Pass.Verdict // that by hand stays in force
			}
			moved = append(moved, m)
		}
		return with(p), moved, nil
	}
}

func isAgreement(f record.Finding) bool { return f.Check == critical.Check }

func finding(p record.Pass) (record.Finding, bool) {
	i := slices.IndexFunc(p.Findings, isAgreement)
	if i < 0 {
		return record.Finding{}, false
	}
	return p.Findings[i], true
}

// tells reports whether a new finding tells people something: another outcome, or another
// reason to doubt. What is fine stays fine with the numbers of its time.
func tells(was, now record.Finding) bool {
	return was.Outcome != now.Outcome || now.Outcome == record.Doubtful &&
		(was.Reason != now.Reason || was.Advice != now.Advice)
}

func later(a, b record.Pass) bool {
	if !a.StartedAt.Equal(b.StartedAt) {
		return a.StartedAt.After(b.StartedAt)
	}
	return a.ID > b.ID
}
