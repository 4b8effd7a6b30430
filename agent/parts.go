package agent

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"capd.example/config"
	"capd.example/control"
	"capd.example/framelog"
	"capd.example/internal/cli"
	"capd.example/internal/judging"
	"capd.example/notify"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
	"capd.example/sysinfo"
)

// The types here fit the parts to the interfaces of the pipeline.

type logReader struct{ opt framelog.Options }

func (r logReader) ReadLog(_ context.Context, path string) (record.Reading, pipeline.File, error) {
	reading, d, err := framelog.ReadFile(path, r.opt)
	f := pipeline.File{SHA256: d.SHA256, Size: d.Size, ModTime: d.ModTime}
	if info, statErr := os.Stat(path); statErr == nil && f.ModTime.IsZero() {
		f.Size, f.ModTime = info.Size(), info.ModTime()
	}
	return reading, f, err
}

func readerOptions(c config.Config) framelog.Options {
	opt := framelog.Options{NoLink: true} // as the watcher takes none
	for _, l := range c.Layouts {
		opt.Layouts = append(opt.Layouts, framelog.Declared{
			Name: l.Name, Path: l.Path, Heading: l.Heading, Column: l.Column, Kind: l.Kind, Unit: l.Unit,
			Delimiter: l.Delimiter, Decimal: l.Decimal, SkipLines: l.SkipLines, Program: l.Program, ProgramColumn: l.ProgramColumn,
		})
	}
	return opt
}

type bench struct {
	machine
	declared map[string]string // what no machine can tell
}

func (b bench) System(ctx context.Context) record.System {
	return sysinfo.Declare(b.Detect(ctx), b.declared)
}

func (b bench) Telemetry(from, to time.Time, program string) (*record.Telemetry, error) {
	return b.WindowFor(from, to, program)
}

// passStore is the store as the pipeline sees it.
type passStore struct {
	judging.Cells
	*store.Store
}

func mark(f pipeline.File, path string) store.FileMark {
	return store.FileMark{Path: path, Size: f.Size, ModTime: f.ModTime, ID: f.ID}
}

func (s passStore) Save(ctx context.Context, a pipeline.Arrival) (pipeline.Saved, error) {
	got, err := s.Store.Save(ctx, store.Arrival{
		Pass: a.Pass, Frames: a.Frames, Telemetry: a.Telemetry, System: a.System,
		File: mark(a.File, a.Pass.Log), LogBytes: a.File.Bytes,
	})
	return pipeline.Saved(got), err
}

func (s passStore) MarkTold(ctx context.Context, id string) error {
	return s.MarkNotified(ctx, id)
}

func (s passStore) Unfinished(ctx context.Context) ([]pipeline.Unfinished, error) {
	list, err := s.Store.Unfinished(ctx)
	var out []pipeline.Unfinished
	for _, u := range list {
		out = append(out, pipeline.Unfinished{ID: u.Pass.ID, Checked: u.State == store.Checked, Was: u.Was})
	}
	return out, err
}

func (s passStore) Beside(ctx context.Context, p record.Pass, cell []string) ([]record.Pass, string, error) {
	return s.Cells.Beside(ctx, p, cell)
}

func (s passStore) Earlier(ctx context.Context, p record.Pass, cell map[string]string) ([]record.Earlier, error) {
	return s.Cells.Earlier(ctx, p, cell)
}

func (s passStore) Settle(ctx context.Context, o pipeline.Outcome) error {
	return s.Cells.Settle(ctx, o)
}

func (s passStore) LastSystem(ctx context.Context, p record.Pass) (record.System, bool, error) {
	return s.Store.LastSystem(ctx, p.Bench, p.ID)
}

func (s passStore) KnownBroken(ctx context.Context, f pipeline.File, path string, why error) (bool, error) {
	return s.Store.KnownBroken(ctx, mark(f, path), why)
}

func (s passStore) RememberBroken(ctx context.Context, f pipeline.File, path string, why error) error {
	_, err := s.Store.RememberBroken(ctx, mark(f, path), why)
	return err
}

// teller hands what happened to the dispatcher and writes the agent's log.
type teller struct {
	alerts   *notify.Dispatcher
	hub      *control.Hub
	desk     *desk
	plan     *planner
	bench    string
	log      zerolog.Logger
	required []string     // checks
	screen   *notify.Rule // of the alerts that the terminal shows; nil where there is none
	given    cli.Given    // which the commands in an alert carry
}

// send hands an alert on. On an error some channel has it in memory at best, and it must
// be sent again, under the same identity.
func (t teller) send(ctx context.Context, a notify.Alert) error {
	a.Advice = t.given.Carry(a.Advice)
	if err := t.alerts.Tell(ctx, a); err != nil {
		t.log.Error().Err(err).Str("alert", a.Text).Msg("an alert could not be handed on; it is tried again")
		return err
	}
	t.hub.Publish(control.Event{Kind: control.KindAlert, At: a.At, Text: a.Text, Advice: a.Advice, Settings: a.Settings, Pass: a.Pass})
	return nil
}

// goodFor is how long after its log was complete a good pass is told: by then somebody waits
// to go on.
const goodFor = 2 * time.Minute

func (t teller) Judged(ctx context.Context, p record.Pass) error {
	a, alert := notify.FromPass(p, time.Now(), t.required...)
	if alert {
		if err := t.send(ctx, a); err != nil {
			return err
		}
	}
	if good, ok := notify.FromGood(p, time.Now()); ok && time.Since(p.LogAt) < goodFor { // nobody waits for an old log
		if err := t.alerts.Tell(ctx, good); err != nil {
			return err
		}
	}
	event := t.log.Info().Str("pass", p.ID).Str("log", p.Log).Str("verdict", string(p.Verdict)).
		Float64("avg_fps", p.Metrics.AvgFPS).Dur("after_ms", time.Since(p.LogAt))
	if alert && t.screen != nil && t.screen.Wants(a) {
		event = event.Bool(cli.OnScreen, true)
	}
	name, why := notify.PassName(p), ""
	if alert {
		why = "; " + strings.TrimPrefix(a.Text, name+": ")
	}
	event.Msgf("%s is %s: %.1f FPS on average, 1%% low %.1f%s", name, p.Verdict, p.Metrics.AvgFPS, p.Metrics.Low1FPS, why)
	t.desk.judged(p)
	t.hub.Publish(control.Event{Kind: control.KindPass, At: time.Now(), Pass: &p, Advice: t.plan.judged(ctx, p)})
	return nil
}

func (t teller) Moved(ctx context.Context, p record.Pass, was record.Verdict) error {
	a := notify.FromMoved(p, was, time.Now(), t.required...)
	if err := t.send(ctx, a); err != nil {
		return err
	}
	event := t.log.Info().Str("pass", p.ID).Str("verdict", string(p.Verdict))
	if t.screen != nil && t.screen.Wants(a) {
		event = event.Bool(cli.OnScreen, true)
	}
	event.Msg(a.Text)
	t.desk.moved(p)
	t.hub.Publish(control.Event{Kind: control.KindPass, At: time.Now(), Pass: &p, Advice: t.plan.judged(ctx, p)})
	return nil
}

func (t teller) Unreadable(ctx context.Context, l pipeline.Log, f pipeline.File, why error) error {
	var settings []string
	if many := (*framelog.AmbiguousError)(nil); errors.As(why, &many) {
		why, settings = errors.New(many.Summary()), many.Settings()
	}
	content := fmt.Sprintf("%s %d %d", f.SHA256, f.Size, f.ModTime.UnixNano())
	return t.send(ctx, notify.FromUnreadable(t.bench, l.Path, content, why, time.Now(), settings...))
}

func (t teller) Changed(ctx context.Context, p record.Pass, changes []record.Change) error {
	if err := t.send(ctx, notify.FromChanges(p, changes, time.Now())); err != nil {
		return err
	}
	if a, warn := t.plan.changed(ctx, changes); warn {
		if err := t.send(ctx, a); err != nil {
			t.plan.forget(a) // it is due again
			return err
		}
	}
	return nil
}

// alertQueue keeps alerts to slow channels in the store.
type alertQueue struct{ *store.Store }

func (q alertQueue) Enqueue(ctx context.Context, a notify.Queued) error {
	return q.Store.Enqueue(ctx, store.Alert{ID: a.ID, Channel: a.Channel, PassID: a.PassID, Payload: a.Payload})
}

func (q alertQueue) Due(ctx context.Context, now time.Time) ([]notify.Queued, error) {
	list, err := q.Store.Due(ctx, now)
	var out []notify.Queued
	for _, a := range list {
		out = append(out, notify.Queued{ID: a.ID, Channel: a.Channel, PassID: a.PassID, Payload: a.Payload, Attempts: a.Attempts})
	}
	return out, err
}
