// Package labtalk is what a lab says to people: its benches, alarms about them through the
// channels of a configuration, and what its answers leave out.
package labtalk

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/config"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/internal/text"
	"capd.example/notify"
	"capd.example/notify/routes"
	"capd.example/store/lab"
)

// Watcher looks at the benches of a lab.
type Watcher struct {
	*cli.Streams
	Lab    *lab.Lab
	Limits lab.Limits
	Every  time.Duration
	Notify config.Notify
	JSON   bool // one object for each alarm on the output

	// Patience is how long one look may take before the lab counts as hanging; 0 means 90 s.
	Patience time.Duration
}

// see looks once, and gives a lab up that takes the question and does not answer.
func (w Watcher) see(ctx context.Context) (lab.Seen, error) {
	patience := cmp.Or(w.Patience, 90*time.Second)
	within, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	seen, err := w.Lab.See(within, w.Limits.Within)
	if err != nil && ctx.Err() == nil && within.Err() != nil {
		err = fmt.Errorf("lab %s has not answered within %s: %w", w.Lab.Name(), patience, err)
	}
	return seen, err
}

// Once looks once and prints what it finds; [cli.ErrFound] where that is something.
func (w Watcher) Once(ctx context.Context) error {
	seen, err := w.see(ctx)
	if err != nil {
		return err
	}
	list := (&lab.Watch{Limits: w.Limits}).Alarms(seen)
	if len(list) == 0 {
		text.Fprintln(w.Err, "capctl: all benches are in order")
		return nil
	}
	var rows []table.Row
	for _, x := range list {
		if w.JSON {
			if err := output.JSON(w.Out, x); err != nil {
				return cli.FailedError(err)
			}
		}
		rows = append(rows, table.Row{text.Line(x.Bench), x.About, text.Line(x.Text), text.Line(x.Advice)})
	}
	if !w.JSON {
		output.Table(w.Out, table.Row{"bench", "about", "what", "what to do"}, rows)
	}
	return cli.ErrFound
}

// Run looks until ctx ends. An alarm is told once, and again where it comes back after it was
// over. That the lab cannot be reached at first is an error, later an alarm.
func (w Watcher) Run(ctx context.Context) error {
	seen, err := w.see(ctx)
	if err != nil {
		return err
	}
	troubles, err := w.alerts(ctx)
	if err != nil {
		return err
	}
	text.Fprintf(w.Err, "capctl: watching %d benches of %s; Ctrl-C ends it\n", len(seen.Benches), w.Lab.Name())
	watch := &lab.Watch{Limits: w.Limits}
	var said map[string]notify.Standing
	tick := time.NewTicker(w.Every)
	defer tick.Stop()
	for {
		if err == nil {
			if said, err = w.tell(ctx, troubles, watch.Alarms(seen), said); err != nil {
				return err
			}
		} else if ctx.Err() == nil {
			troubles.Raise(ctx, "lab", "the lab cannot be watched: "+text.Line(err.Error()),
				"see that its database runs and can be reached")
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		seen, err = w.see(ctx) // on a new connection where the old one is lost
	}
}

// tell hands alarms on and returns them by what tells them apart.
func (w Watcher) tell(ctx context.Context, troubles *notify.Troubles, list []lab.Alarm,
	said map[string]notify.Standing) (map[string]notify.Standing, error) {
	now := map[string]notify.Standing{}
	for _, x := range list {
		key := x.Bench + "/" + x.About
		now[key] = notify.Standing{Text: x.Text, Advice: x.Advice}
		if _, known := said[key]; w.JSON && !known {
			if err := output.JSON(w.Out, x); err != nil {
				return nil, cli.FailedError(err)
			}
		}
	}
	troubles.Replace(ctx, "benches", now)
	troubles.Clear("lab")
	return now, nil
}

// alerts starts the channels; what waits for one is kept in memory.
func (w Watcher) alerts(ctx context.Context) (*notify.Troubles, error) {
	n, out := w.Notify, w.Out
	if w.JSON {
		out = io.Discard
	}
	list, err := routes.Build(routes.Options{
		Out: out, Command: n.Command, WebHook: n.WebHook, Secret: n.Secret, Services: n.Services, Desktop: n.Desktop,
		Sound: n.Sound, Timeout: config.Seconds(n.TimeoutS), Group: config.Seconds(n.GroupS),
	})
	if err != nil {
		return nil, cli.UsageError(err)
	}
	d, err := notify.New(list, func(o notify.Outcome) {
		if o.Err != nil {
			text.Fprintf(w.Err, "capctl: %s: an alert was not delivered: %v\n", o.Channel, o.Err)
		}
	})
	if err != nil {
		return nil, cli.FailedError(err)
	}
	go d.Run(ctx)
	return &notify.Troubles{Send: d.Tell}, nil
}
