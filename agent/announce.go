package agent

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"capd.example/control"
	"capd.example/framelog"
	"capd.example/internal/cli"
	"capd.example/notify"
	"capd.example/pipeline"
	"capd.example/record"
)

// teller hands what happened to the dispatcher and writes the agent's log.
type teller struct {
	alerts   *notify.Dispatcher
	hub      *control.Hub
	service  *service
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
	t.hub.Publish(control.Event{Kind: control.KindAlert, At: a.At, Text: a.Text, Advice: a.Advice, Settings: a.Settings,
		Pass: a.Pass})
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
	t.service.judged(p)
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
	t.service.moved(p)
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
