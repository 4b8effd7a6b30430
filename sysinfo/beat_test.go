package sysinfo

import (
	"context"
	"testing"
	"time"
)

// TestBeat: a beat comes when it is due, also one that was set while somebody waited, and
// the end of the context ends the wait.
func TestBeat(t *testing.T) {
	for name, open := range map[string]func(context.Context) beat{
		"of the machine": newBeat, "of the runtime": func(context.Context) beat { return newTimerBeat() },
	} {
		t.Run(name, func(t *testing.T) {
			ctx, stop := context.WithCancel(t.Context())
			b := open(ctx)
			defer b.close()
			start := time.Now()
			b.set(20 * time.Millisecond)
			if !b.wait(ctx) || time.Since(start) < 20*time.Millisecond {
				t.Fatalf("the beat came after %s", time.Since(start))
			}
			came := make(chan bool)
			wait := func() { came <- b.wait(ctx) }
			b.set(time.Hour)
			go wait()
			b.set(time.Millisecond)
			if !<-came {
				t.Error("a beat that was set anew did not come")
			}
			b.set(time.Hour)
			go wait()
			stop()
			if <-came {
				t.Error("a beat came after the end")
			}
			if b.wait(ctx) {
				t.Error("a beat came long after the end")
			}
		})
	}
}
