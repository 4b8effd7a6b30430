package desktop

import (
	"context"
	"errors"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"capd.example/notify"
)

// A desktop that hangs holds nobody up.
func TestHangingDesktop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		defer close(release)
		ctx, stop := context.WithTimeout(context.Background(), time.Second)
		defer stop()
		err := call(ctx, "x", func() error { <-release; return nil })
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("call = %v", err)
		}
	})
}

// Without a desktop the delivery fails with a reason.
func TestNoDesktop(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only there is a desktop found by way of the environment")
	}
	t.Setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent")
	t.Setenv("PATH", t.TempDir())
	ctx, stop := context.WithTimeout(context.Background(), 20*time.Second)
	defer stop()
	if err := (Notification{}).Send(ctx, notify.FromTest("bench-a", time.Now())); err == nil {
		t.Error("a notification was shown, it says, and there is nothing to show it")
	}
}

// A good pass and a bad one are told apart by ear: rising and falling.
func TestTonesDiffer(t *testing.T) {
	rises := func(k notify.Kind) bool { x := tones(k); return len(x) == 2 && x[1].hz > x[0].hz }
	falls := func(k notify.Kind) bool { x := tones(k); return len(x) == 2 && x[1].hz < x[0].hz }
	if !rises(notify.GoodPass) || !falls(notify.BadPass) || len(tones(notify.Trouble)) != 1 {
		t.Errorf("good %v, bad %v, trouble %v", tones(notify.GoodPass), tones(notify.BadPass), tones(notify.Trouble))
	}
}
