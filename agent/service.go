package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/notify"
	"capd.example/page/pairing"
	"capd.example/record"
	"capd.example/sysinfo/owncost"
)

// service is what a person can ask and tell the running agent through capctl.
type service struct {
	agent *Agent
	since time.Time

	mu     sync.Mutex
	judges tally
	last   *record.Pass

	pairing  *pairing.Keeper // who may open the page; nil where there is none
	unpaired error           // why not, where there should be
	pageAt   string          // the address that the page listens at, "" while it does not
}

// tally counts the passes judged since the start. The latest are kept, so that the store can
// say how they stand now; of those before, what was said when they arrived.
type tally struct {
	passes, badBefore int
	latest            []judged
}

type judged struct {
	id  string
	bad bool
}

const mostLatest = 1000

func (t *tally) add(p record.Pass) {
	for i, j := range t.latest { // it is told again, or was checked again
		if j.id == p.ID {
			t.latest[i].bad = p.Verdict == record.VerdictBad
			return
		}
	}
	t.passes++
	if len(t.latest) == mostLatest {
		if t.latest[0].bad {
			t.badBefore++
		}
		t.latest = append(t.latest[:0], t.latest[1:]...)
	}
	t.latest = append(t.latest, judged{p.ID, p.Verdict == record.VerdictBad})
}

// Status implements control.Agent.
func (s *service) Status(ctx context.Context) (control.Status, error) {
	w := s.agent.watch.State()
	waiting, held, paused := s.agent.intake.state()
	var troubles []control.Trouble
	for _, s := range s.agent.troubles.List() {
		troubles = append(troubles, control.Trouble(s))
	}
	undelivered, err := s.agent.store.Undelivered(ctx)
	last, bad, lastErr := s.standing(ctx)
	if err = errors.Join(err, lastErr); err != nil { // the rest can still be told
		troubles = append(troubles, control.Trouble{Text: err.Error(), Advice: adviceFor(err), Since: time.Now().UTC()})
	}
	position := s.agent.plan.position(ctx)
	next, then := s.agent.tags.coming()
	var recording *control.Recording
	if w.Holder != "" {
		recording = &control.Recording{Log: w.Holder, Since: w.HolderSince.UTC()}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return control.Status{
		Bench: s.agent.config.Bench, Version: cli.Version(), PID: os.Getpid(), Since: s.since,
		Watch: w.Folder, WatchMissing: w.Missing, Polling: w.Polling, Folders: w.Folders, Growing: w.Pending,
		Waiting: waiting + w.Queued, WaitingFor: held, Recording: recording, Paused: paused,
		Troubles: troubles, Store: s.agent.store.Path(),
		Passes: s.judges.passes, Bad: int(bad), Alerts: undelivered, Campaign: position, Next: next, Then: then, Last: last,
	}, nil
}

// standing returns the latest pass, and how many since the start are bad, by what the store
// says now: a verdict may have been overruled or found anew since the pass arrived.
func (s *service) standing(ctx context.Context) (last *record.Pass, bad int64, err error) {
	s.mu.Lock()
	last = s.last
	list := make([]string, len(s.judges.latest))
	for i, j := range s.judges.latest {
		list[i] = j.id
	}
	before := int64(s.judges.badBefore)
	s.mu.Unlock()
	ids, err := json.Marshal(list)
	if err != nil || last == nil {
		return nil, 0, err
	}
	now, err := s.agent.store.Pass(ctx, last.ID)
	if err != nil {
		return nil, 0, err
	}
	rows, err := s.agent.store.Query(ctx,
		`SELECT count(*) FROM passes WHERE verdict = 'bad' AND id IN (SELECT value FROM json_each(?))`, string(ids))
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	row, err := rows.Next()
	if err != nil {
		return nil, 0, err
	}
	if len(row) == 1 {
		bad, _ = row[0].(int64)
	}
	return &now, before + bad, nil
}

// Begin implements control.Agent.
func (s *service) Begin(ctx context.Context, tags map[string]string, once bool) error {
	if err := s.agent.tags.set(tags, once); err != nil {
		return err
	}
	s.agent.turned()
	if err := s.agent.tags.keep(ctx, s.agent.store); err != nil {
		return fmt.Errorf("the tags are in force, but a restart of the agent would lose them: %w", err)
	}
	return nil
}

// Pause implements control.Agent.
func (s *service) Pause(_ context.Context, reason string) error {
	if reason == "" {
		reason = "paused by hand"
	}
	s.agent.intake.pause(reason)
	s.agent.turned()
	return nil
}

// Resume implements control.Agent.
func (s *service) Resume(context.Context) error {
	s.agent.intake.resume()
	s.agent.turned()
	return nil
}

// Stop implements control.Agent.
func (s *service) Stop(_ context.Context, now bool) error {
	s.agent.ending.ask(now)
	return nil
}

// TestAlert implements control.Agent.
func (s *service) TestAlert(ctx context.Context, channel string) (map[string]error, error) {
	return s.agent.alerts.Try(ctx, channel, notify.FromTest(s.agent.config.Bench, time.Now())), nil
}

// moved notes another verdict on a pass.
func (s *service) moved(p record.Pass) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, j := range s.judges.latest {
		if j.id == p.ID {
			s.judges.latest[i].bad = p.Verdict == record.VerdictBad
		}
	}
}

func (s *service) judged(p record.Pass) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.judges.add(p)
	s.last = &p
}

// Overhead implements control.Agent.
func (s *service) Overhead(context.Context) (control.Overhead, error) {
	c, sampling := owncost.Now(), s.agent.bench.Sampling()
	ms := func(t time.Duration) float64 { return float64(t) / float64(time.Millisecond) }
	return control.Overhead{
		PID: os.Getpid(), Since: s.since, AgeS: c.Age.Seconds(),
		ProcessorS: c.Processor.Seconds(), Percent: c.Percent(), ValidatorsS: c.Children.Seconds(),
		WakeUps: c.WakeUps, WakeUpsPerS: c.WakeUpsPerSecond(), Preempted: c.Preempted,
		ResidentBytes: c.Resident, ResidentMostBytes: c.ResidentMost,
		Reads: c.Reads, ReadBytes: c.Read, WrittenBytes: c.Written,
		Samples: sampling.Samples, SampleFirstMS: ms(sampling.First), SampleMeanMS: ms(sampling.Mean()),
		SampleTotalS: sampling.All.Seconds(),
		SampleLongMS: ms(sampling.Longest), SampleLongest: sampling.LongestAt,
	}, nil
}
