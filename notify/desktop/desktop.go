// Package desktop shows alerts as desktop notifications and plays a sound. It needs the
// user's own session; without one every delivery fails with a reason and nothing else
// suffers.
package desktop

import (
	"context"
	"fmt"

	"capd.example/notify"
	"github.com/gen2brain/beeep"
)

func init() { beeep.AppName = "capd" } // before any goroutine sends

// Notification is a message on the desktop.
type Notification struct{}

// Name implements [notify.Channel].
func (Notification) Name() string { return "desktop" }

// Send implements [notify.Channel].
func (Notification) Send(ctx context.Context, a notify.Alert) error {
	return call(ctx, "desktop notification", func() error {
		return beeep.Notify(title(a), notify.Line(a), "")
	})
}

// Sound is two tones for a pass, falling for a bad one and rising for a good one, and one
// tone for anything else.
type Sound struct{}

// Name implements [notify.Channel].
func (Sound) Name() string { return "sound" }

// Send implements [notify.Channel].
func (Sound) Send(ctx context.Context, a notify.Alert) error {
	return call(ctx, "sound", func() error {
		for _, t := range tones(a.Kind) {
			if err := beeep.Beep(t.hz, t.ms); err != nil {
				return err
			}
		}
		return nil
	})
}

type tone struct {
	hz float64
	ms int
}

func tones(k notify.Kind) []tone {
	switch k {
	case notify.BadPass:
		return []tone{{880, 200}, {440, 400}}
	case notify.GoodPass:
		return []tone{{660, 120}, {990, 160}}
	}
	return []tone{{880, 200}}
}

func title(a notify.Alert) string {
	if a.Bench == "" {
		return "capd"
	}
	return "capd on " + a.Bench
}

// call waits no longer than ctx: a desktop's services can hang.
func call(ctx context.Context, what string, fn func() error) error {
	done := make(chan error, 1)
	go func() { done <- fn() }()
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("%s: %w", what, ctx.Err())
	}
}
