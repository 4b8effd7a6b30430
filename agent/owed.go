package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"capd.example/internal/judging"
	"capd.example/notify"
	"capd.example/pipeline"
	"capd.example/plugins/host"
	"capd.example/record"
	"capd.example/store"
	"capd.example/tag"
)

// owed are the passes to which a validator that failed, or was put aside, owes an answer,
// in the order in which they are checked again. The store keeps the list.
type owed struct {
	ids  []string
	kept bool // the store has it as it is
}

const owedKey = "agent.owed"

func (o *owed) load(ctx context.Context, s *store.Store) error {
	text, there, err := s.Setting(ctx, owedKey)
	if err != nil {
		return err
	}
	if o.kept = true; there {
		_ = json.Unmarshal([]byte(text), &o.ids) // rubbish is none
	}
	return nil
}

// add puts a pass at the end of the list.
func (o *owed) add(id string) {
	o.remove(id)
	o.ids, o.kept = append(o.ids, id), false
}

func (o *owed) remove(id string) {
	if i := slices.Index(o.ids, id); i >= 0 {
		o.ids, o.kept = slices.Delete(o.ids, i, i+1), false
	}
}

func (o *owed) keep(ctx context.Context, s *store.Store) error {
	if o.kept {
		return nil
	}
	text, err := json.Marshal(o.ids)
	if err == nil {
		err = s.SetSetting(ctx, owedKey, string(text))
	}
	o.kept = err == nil
	return err
}

// Settle stores a verdict once the store has noted which passes are owed an answer: else a
// crash could leave one unverified for ever.
func (r remembering) Settle(ctx context.Context, o record.Examined) error {
	if err := r.owed.keep(ctx, r.Agent.store); err != nil {
		return err
	}
	return r.passStore.Settle(ctx, o)
}

// remembering checks passes and remembers to which of them an answer is owed, and which
// tags by hand are used up.
type remembering struct {
	*Agent
	passStore
}

func (r remembering) Save(ctx context.Context, a pipeline.Arrival) (saved pipeline.Saved, err error) {
	err = r.tags.storing(func(settings map[string]string) (bool, error) {
		saved, err = r.save(ctx, a, settings)
		return saved.Created, err
	})
	return saved, err
}

func (r remembering) Check(ctx context.Context, e record.Evidence) []record.Finding {
	findings := r.host.Check(ctx, e)
	if ctx.Err() != nil {
		return findings
	}
	if r.host.Later() {
		r.owed.add(e.Pass.ID)
	}
	r.troubles.Replace(ctx, "validators", unanswered(r.host.Failing()))
	r.troubles.Replace(ctx, "required", r.missing(findings))
	return findings
}

// missing are the required checks that no validator makes: every pass is unverified then.
func (r remembering) missing(findings []record.Finding) map[string]notify.Standing {
	out := map[string]notify.Standing{}
	for _, name := range r.config.Checks.Required {
		made := name == tag.CheckName || name == pipeline.AssertionsCheck || r.host.Later() ||
			slices.ContainsFunc(findings, func(f record.Finding) bool { return f.Check == name })
		if !made {
			out[name] = notify.Standing{
				Text:   "no validator runs the required check " + name + ", so no pass can be clean",
				Advice: "correct checks.required in the configuration, or pin its validator and switch it on; then start the agent again",
			}
		}
	}
	return out
}

// unanswered says of validators that give no answer what that means.
func unanswered(failing []host.Failing) map[string]notify.Standing {
	out := map[string]notify.Standing{}
	for _, f := range failing {
		what := "the check " + f.Name + " does not run"
		switch {
		case len(f.Checks) > 1 || len(f.Checks) == 1 && f.Checks[0] != f.Name:
			what = fmt.Sprintf("%s of %s do not run", record.Count(len(f.Checks), "check"), program(f.Name))
		case len(f.Checks) == 0:
			what = "no checks of " + program(f.Name) + " run"
		}
		s := notify.Standing{Text: what + ": " + f.Why,
			Advice: "correct it and start the agent again; then check the passes since with 'capctl recheck'"}
		if !f.Again.IsZero() {
			s.Advice = fmt.Sprintf("do not repeat a pass for that: the agent tries again from %s on, with all passes since; if it fails again, see the agent's log", f.Again.Local().Format(time.TimeOnly))
		}
		out[f.Name] = s
	}
	return out
}

func program(name string) string {
	if name == "bundled" {
		return "the standard validators"
	}
	return "the validator " + name
}

// mostFailures is how many passes in a row are checked again in vain before the others wait
// for the next time.
const mostFailures = 2

// makeGood has the passes checked again to which an answer is owed, once what failed may be
// asked again, and tells what comes of it. It returns when to come back, 0 for not before
// something happens.
func (ag *Agent) makeGood(ctx context.Context) time.Duration {
	failures := 0
	for range len(ag.owed.ids) {
		if !ag.idle() || ag.stuck {
			return time.Second // a log came meanwhile
		}
		if wait := ag.again(); wait > 0 || ctx.Err() != nil {
			return wait
		}
		id := ag.owed.ids[0]
		switch err := ag.checkAgain(ctx, id); {
		case ctx.Err() != nil:
			return 0
		case errors.Is(err, store.ErrNotFound):
			ag.owed.remove(id)
		case err != nil:
			ag.log.Error().Err(err).Str("pass", id).Msg("the pass could not be checked again; that is tried again")
			return storeRetry
		case ag.host.Later():
			if failures++; failures == mostFailures {
				return max(ag.again(), time.Second)
			}
		default:
			ag.owed.remove(id)
		}
		if err := ag.owed.keep(ctx, ag.store); err != nil {
			return storeRetry
		}
	}
	if len(ag.owed.ids) > 0 {
		return max(ag.again(), time.Second)
	}
	return 0
}

// again is how long to wait until what failed may be asked again.
func (ag *Agent) again() time.Duration {
	wait := time.Duration(0)
	for _, f := range ag.host.Failing() {
		if left := time.Until(f.Again); !f.Again.IsZero() && left > 0 && (wait == 0 || left < wait) {
			wait = left
		}
	}
	return wait
}

// checkAgain has one stored pass checked again. A verdict that is another one now is told
// like every pass that was stored and not told about, so that a crash loses nothing.
func (ag *Agent) checkAgain(ctx context.Context, id string) error {
	e, err := ag.store.Evidence(ctx, id)
	if err != nil {
		return err
	}
	ag.kept = time.Now() // given back like what any log took
	steps := *ag.steps
	if h, is := ag.host.(*host.Host); is {
		steps.Know.Keep = judging.Keep(ag.store, h, false)
	}
	o, err := steps.Look(ctx, e)
	if err != nil || ag.host.Later() {
		return err
	}
	again := judging.Cells{Store: ag.store, Why: "validators that had given no answer were asked again", Who: "capd",
		Tell: true}
	if err := again.Settle(ctx, o); err != nil {
		return err
	}
	poke(ag.fresh)
	ag.owed.remove(id)
	ag.resume(ctx, nil)
	return nil
}
