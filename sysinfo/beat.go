package sysinfo

import (
	"context"
	"time"
)

// beat wakes the sampler. It may be set by one goroutine while another waits, which then
// waits for the new time.
type beat interface {
	set(after time.Duration)
	// wait returns true when the time has come and false when ctx has ended.
	wait(ctx context.Context) bool
	close()
}

// timerBeat is a beat by Go's own timer.
type timerBeat struct{ t *time.Timer }

func newTimerBeat() beat {
	b := timerBeat{time.NewTimer(time.Hour)}
	b.t.Stop()
	return b
}

func (b timerBeat) set(after time.Duration) { b.t.Reset(after) }
func (b timerBeat) close()                  { b.t.Stop() }

func (b timerBeat) wait(ctx context.Context) bool {
	select {
	case <-ctx.Done():
		return false
	case <-b.t.C:
		return true
	}
}
