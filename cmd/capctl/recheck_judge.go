package main

import (
	"context"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

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
	silent silence
}

// newExaminer gets the validators ready; the caller closes it. With corrected the passes are
// judged because tags were corrected.
func newExaminer(a *app, s *store.Store, corrected bool) (*examiner, error) {
	know, err := knowledge(a.config)
	if err != nil {
		return nil, err
	}
	know.Spread = judging.Spread(s, know.Factors)
	self, err := os.Executable()
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("find this program: %w", err))
	}
	log := zerolog.New(cli.Console{Out: a.stderr, Colour: isTerminal(a.stderr)}).Level(zerolog.WarnLevel)
	h, err := host.New(judging.Validators(a.config.Checks, []string{self, validatorRole}, log))
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("prepare the validators: %w", err))
	}
	know.Keep = judging.Keep(s, h, corrected, append(slices.Clone(a.config.Checks.Off), pipeline.AssertionsCheck, tag.CheckName)...)
	return &examiner{store: s, steps: &pipeline.Pipeline{Store: past{s: s}, Checks: h, Know: know}, host: h}, nil
}

func (x *examiner) close() { x.host.Close() }

// judge looks at a pass again. With apply it stores what is different now, with the reason;
// what a validator found that gives no answer stays.
func (x *examiner) judge(ctx context.Context, p record.Pass, apply bool, why string) (rechecked, error) {
	r, findings, err := x.look(ctx, p)
	if err == nil && apply && len(r.Changes) > 0 {
		r.Applied = true
		err = x.store.ReplaceFindings(ctx, p.ID, findings, r.Now, why, userName())
	}
	if err != nil {
		return rechecked{}, fmt.Errorf("check pass %s again: %w", p.ID, err)
	}
	x.silent.add(p.ID, r.NoAnswer)
	return r, nil
}

func (x *examiner) look(ctx context.Context, p record.Pass) (rechecked, []record.Finding, error) {
	e, err := x.store.Evidence(ctx, p.ID)
	if err != nil {
		return rechecked{}, nil, err
	}
	e.Pass.Findings, e.Pass.Verdict, e.Pass.Overruled = nil, "", "" // as when it arrived
	now, err := x.steps.Examine(ctx, e)
	if err != nil {
		return rechecked{}, nil, err
	}
	r := rechecked{ID: p.ID, Log: p.Log, Was: p.Verdict, Now: now.Verdict, Overruled: p.Overruled,
		Changes: changes(p.Findings, now.Findings), tags: p.Tags}
	r.NoAnswer, _ = x.host.Unable()
	if p.Overruled != "" { // compare like with like: what the findings said then
		r.Was = record.Judge(p.Findings, x.steps.Know.Required)
	}
	if r.differs() {
		r.Decides = worst(record.Pass{Verdict: now.Verdict, Findings: now.Findings}, x.steps.Know.Required)
	}
	return r, now.Findings, nil
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
		fmt.Fprintf(a.stderr, "capctl: note: no answer from %s about %s: %s\n", name, record.Count(u.passes, "pass"), u.why)
	}
	if len(q.ids) == 0 {
		return nil
	}
	return cli.FailedError(fmt.Errorf("a validator gave no answer about %s: what it found there before stays", record.Count(len(q.ids), "pass")),
		then, "to do without it, name it under off in [checks] or take its program out of [checks.pinned]")
}

// again says how the passes about which a validator gave no answer are checked again: by a
// command that can be typed as it stands, unless they are too many for a line.
func (q *silence) again() string {
	const most = 12
	if len(q.ids) > most {
		return "put it right, then 'capctl recheck --apply' checks all passes again"
	}
	return "put it right, then type: capctl recheck --apply " + strings.Join(q.ids, " ")
}

// past is the store as far as examining a stored pass needs it.
type past struct {
	pipeline.Store
	s *store.Store
}

func (p past) Earlier(ctx context.Context, pass record.Pass, cell map[string]string) ([]record.Earlier, error) {
	return p.s.Earlier(ctx, pass.Bench, cell, pass.ID, judging.EarlierPasses)
}
