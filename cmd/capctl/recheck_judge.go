package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"capd.example/internal/listing"
	safe "capd.example/internal/text"

	"github.com/rs/zerolog"

	"capd.example/internal/cli"
	"capd.example/internal/judging"
	"capd.example/pipeline"
	"capd.example/plugins/host"
	"capd.example/record"
	"capd.example/store"
	"capd.example/tag"
)

// examiner judges stored passes again as the agent would, for every command that does.
type examiner struct {
	store  *store.Store
	steps  *pipeline.Pipeline
	host   *host.Host
	hold   *hold // nil where nothing is stored
	silent silence
	moved  map[string]record.Moved // with another verdict because of other passes
}

// newExaminer gets the validators ready; the caller closes it. With corrected the passes are
// judged because tags were corrected. What is stored is kept from the agent by h.
func newExaminer(a *app, s *store.Store, h *hold, corrected bool) (*examiner, error) {
	know, err := knowledge(a.config)
	if err != nil {
		return nil, err
	}
	know.Spread = judging.Spread(s, know.Factors)
	know.Settle = judging.Settle(a.config.Checks, know.Spread,
		judging.Across(s, know.Factors, a.config.Analysis.SessionSDPercent/100), judging.Neighbours(s))
	self, err := os.Executable()
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("find this program: %w", err))
	}
	log := zerolog.New(cli.Console{Out: a.stderr, Colour: cli.IsTerminal(a.stderr)}).Level(zerolog.WarnLevel)
	v, err := host.New(host.Settings(a.config.Checks, []string{self, validatorRole}, cli.Version(), log))
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("prepare the validators: %w", err))
	}
	know.Keep = judging.Keep(s, v, corrected, append(slices.Clone(a.config.Checks.Off), pipeline.AssertionsCheck,
		tag.CheckName)...)
	return &examiner{store: s, steps: &pipeline.Pipeline{Store: past{Cells: judging.Cells{Store: s}}, Checks: v,
		Know: know}, host: v, hold: h}, nil
}

func (x *examiner) close() { x.host.Close() }

// judge looks at a pass again. With apply it stores what is different now, with the reason,
// also about the passes beside it; what a validator found that gives no answer stays. A pass
// that is corrected meanwhile is looked at once more. One that was put back is stored with
// what was found in any case, which ends that.
func (x *examiner) judge(ctx context.Context, p record.Pass, apply, putBack bool, why string) (rechecked, error) {
	for {
		if err := x.hold.renew(ctx); err != nil {
			return rechecked{}, err
		}
		r, o, err := x.look(ctx, p)
		if err == nil && apply && (putBack || len(r.Changes) > 0 || len(o.Others) > 0) {
			r.Applied = true
			err = judging.Cells{Store: x.store, Why: why, Who: userName()}.Settle(ctx, o)
		}
		if errors.Is(err, record.ErrMeanwhile) && ctx.Err() == nil {
			if p, err = x.store.Pass(ctx, p.ID); err == nil {
				continue
			}
		}
		if err != nil {
			return rechecked{}, fmt.Errorf("check pass %s again: %w", p.ID, err)
		}
		x.silent.add(p.ID, r.NoAnswer)
		for _, m := range o.Others {
			x.move(m, r.Applied)
		}
		return r, nil
	}
}

// settler works out again what depends on the passes of a cell, and stores it with the reason.
func (x *examiner) settler(why string) judging.Settler {
	return judging.Settler{Cells: judging.Cells{Store: x.store, Why: why, Who: userName()}, Steps: x.steps,
		Factors: x.steps.Know.Factors, Before: x.hold.renew}
}

// settled notes what that led to.
func (x *examiner) settled(moved []record.Moved, err error) error {
	for _, m := range moved {
		x.move(m, true)
	}
	return err
}

// move notes that a pass has another verdict because of another pass.
func (x *examiner) move(m record.Moved, stored bool) {
	if !stored || m.Pass.Overruled != "" {
		return
	}
	if x.moved == nil {
		x.moved = map[string]record.Moved{}
	}
	if first, known := x.moved[m.Pass.ID]; known {
		m.Was = first.Was
	}
	x.moved[m.Pass.ID] = m
}

// tell says which passes have another verdict because of those that were looked at, in
// order of time, and forgets them. Those of which the caller tells are left out. It returns
// those that were clean.
func (x *examiner) tell(a *app, told map[string]bool) (worse []record.Pass) {
	list := slices.SortedFunc(maps.Values(x.moved), func(a, b record.Moved) int {
		return cmp.Or(a.Pass.StartedAt.Compare(b.Pass.StartedAt), cmp.Compare(a.Pass.ID, b.Pass.ID))
	})
	x.moved = nil
	for _, m := range list {
		if told[m.Pass.ID] || m.Pass.Verdict == m.Was {
			continue
		}
		again := " again"
		if m.Pass.Verdict != record.Clean {
			again = ""
			now, err := x.store.Pass(a.ctx, m.Pass.ID) // with its findings
			if why := listing.DecidedBy(now, a.config.Checks.Required); err == nil && why != "" {
				again = ": " + why
			}
		}
		safe.Fprintf(a.stderr, "capctl: %s of the same cell was %s and is now %s%s\n", m.Pass.ID, m.Was, m.Pass.Verdict,
			again)
		if m.Was == record.Clean {
			worse = append(worse, m.Pass)
		}
	}
	return worse
}

// finish judges again what was put back: by what was just stored, or by a command before that
// was cut short. New passes are left to the agent. It goes on past a pass that cannot be judged
// and returns the first error.
func (x *examiner) finish(ctx context.Context, why string) (first error) {
	failed := map[string]bool{}
	for {
		list, err := x.store.Unfinished(ctx)
		if err != nil {
			return cli.FailedError(err)
		}
		list = slices.DeleteFunc(list, func(u store.Unfinished) bool { return !u.Again || failed[u.Pass.ID] })
		if len(list) == 0 {
			return first
		}
		for _, u := range list {
			was := u.Pass.Verdict
			r, err := judgeOne(ctx, x, u.Pass, why)
			if ctx.Err() != nil {
				return err
			}
			if err != nil {
				if failed[u.Pass.ID] = true; first == nil {
					first = err
				}
				continue
			}
			if u.Pass.Verdict = r.Now; was != "" { // else nobody knew it
				x.move(record.Moved{Pass: u.Pass, Was: was}, true)
			}
		}
	}
}

func (x *examiner) look(ctx context.Context, p record.Pass) (rechecked, record.Examined, error) {
	e, err := x.store.Evidence(ctx, p.ID)
	if err != nil {
		return rechecked{}, record.Examined{}, err
	}
	before := e.Pass
	o, err := x.steps.Look(ctx, e)
	if err != nil {
		return rechecked{}, o, err
	}
	r := rechecked{ID: p.ID, Log: p.Log, Was: before.Verdict, Now: o.Pass.Verdict, Overruled: before.Overruled,
		Changes: changes(before.Findings, o.Pass.Findings), tags: before.Tags}
	r.NoAnswer, _ = x.host.Unable()
	if before.Overruled != "" { // compare like with like: what the findings said then
		r.Was = record.Judge(before.Findings, x.steps.Know.Required)
	}
	if r.differs() {
		r.Decides = listing.DecidedBy(record.Pass{Verdict: o.Pass.Verdict, Findings: o.Pass.Findings}, x.steps.Know.Required)
	}
	return r, o, nil
}

// silence is which validators gave no answer about which passes.
type silence struct {
	ids []string
	of  map[string]unheard // by validator
}

type unheard struct {
	passes int
	why    string // about the first of them
}

func (q *silence) add(id string, list map[string]string) {
	if len(list) == 0 {
		return
	}
	q.ids = append(q.ids, id)
	if q.of == nil {
		q.of = map[string]unheard{}
	}
	for name, why := range list {
		u := q.of[name]
		if u.passes++; u.passes == 1 {
			u.why = why
		}
		q.of[name] = u
	}
}

// report names the validators that gave no answer and says what follows; nil where all did.
func (q *silence) report(a *app, then string) error {
	for _, name := range slices.Sorted(maps.Keys(q.of)) {
		u := q.of[name]
		safe.Fprintf(a.stderr, "capctl: note: no answer from %s about %s: %s\n", name, record.Count(u.passes, "pass"), u.why)
	}
	if len(q.ids) == 0 {
		return nil
	}
	return cli.FailedError(fmt.Errorf("a validator did not answer about %s; its earlier findings stay",
		record.Count(len(q.ids), "pass")),
		then, "to do without it, name it under off in [checks], or remove its program from [checks.pinned]")
}

// again says how the passes about which a validator gave no answer are checked again: by a
// command that can be typed as it stands, unless they are too many for a line.
func (q *silence) again() string {
	const most = 12
	if len(q.ids) > most {
		return "correct it, then check all passes again with 'capctl recheck --apply'"
	}
	return "correct it, then type: capctl recheck --apply " + strings.Join(q.ids, " ")
}

// past is the store as far as examining a stored pass needs it.
type past struct {
	pipeline.Store
	judging.Cells
}

func (p past) Earlier(ctx context.Context, pass record.Pass, cell map[string]string) ([]record.Earlier, error) {
	return p.Cells.Earlier(ctx, pass, cell)
}

func (p past) Beside(ctx context.Context, pass record.Pass, cell []string) ([]record.Pass, string, error) {
	return p.Cells.Beside(ctx, pass, cell)
}

func (p past) Settle(ctx context.Context, o record.Examined) error { return p.Cells.Settle(ctx, o) }
