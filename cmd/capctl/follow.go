package main

import (
	"errors"
	"fmt"
	"time"

	safe "capd.example/internal/text"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/listing"
	"capd.example/internal/output"
	"capd.example/notify"
	"capd.example/record"
)

// followCmd is `capctl follow`.
type followCmd struct {
	JSON    bool     `name:"json" help:"One JSON object per event."`
	Count   int      `placeholder:"N" help:"End after N passes; status 1 if one of them was bad."`
	Verdict []string `placeholder:"VERDICT" help:"Only passes with this verdict: clean, unverified, doubtful, bad. May be repeated."`
}

// errEnough ends following after the wanted number of passes.
var errEnough = errors.New("enough")

func (c *followCmd) Run(a *app) error {
	want := map[record.Verdict]bool{}
	for _, v := range c.Verdict {
		if !record.Verdict(v).Valid() {
			return cli.UsageError(fmt.Errorf("--verdict %q is none of clean, unverified, doubtful, bad", v))
		}
		want[record.Verdict(v)] = true
	}
	passes, bad := 0, false
	return withAgent(a, func(agent *control.Client) error {
		ready := func() { safe.Fprintln(a.stderr, "capctl: following; Ctrl-C ends it") }
		err := agent.Follow(a.ctx, ready, func(e control.Event) error {
			if e.Pass != nil && e.Kind == control.KindPass && len(want) > 0 && !want[e.Pass.Verdict] {
				return nil
			}
			if err := c.print(a, e); err != nil {
				return cli.FailedError(err)
			}
			if e.Kind != control.KindPass {
				return nil
			}
			passes++
			bad = bad || e.Pass != nil && e.Pass.Verdict == record.VerdictBad
			if passes == c.Count {
				return errEnough
			}
			return nil
		})
		if errors.Is(err, errEnough) && bad {
			return cli.ErrFound
		} else if errors.Is(err, errEnough) {
			return nil
		}
		return err
	})
}

func (c *followCmd) print(a *app, e control.Event) error {
	if c.JSON {
		return output.JSON(a.stdout, e)
	}
	text := e.Text
	switch {
	case e.Kind == control.KindAlert && e.Pass != nil:
		return nil // the pass itself has its line
	case e.Kind == control.KindPass && e.Pass != nil:
		text = listing.PassLine(*e.Pass, a.config.Checks.Required)
	case e.Kind == control.KindMissed:
		text = "missed: " + record.Count(e.Missed, "event") + "; 'capctl passes' has them all"
	}
	if e.Advice != "" {
		text += " -> " + e.Advice
	}
	text = a.carry(text)
	_, err := fmt.Fprintf(a.stdout, "%s  %s\n%s", e.At.Local().Format(time.TimeOnly), text, notify.Copyable(e.Settings))
	return err
}
