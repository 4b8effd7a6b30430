package agent

import (
	"sync/atomic"
	"time"
)

// ending is the wish that the agent ends, of which its own loop decides the moment.
type ending struct {
	when  atomic.Int32
	asked chan struct{}
}

const (
	notAsked int32 = iota
	afterPass
	atOnce
)

// endingLook is how often an agent that is to end looks whether the pass is over.
const endingLook = 250 * time.Millisecond

func (e *ending) ask(now bool) {
	if now {
		e.when.Store(atOnce)
	} else {
		e.when.CompareAndSwap(notAsked, afterPass)
	}
	poke(e.asked)
}

// due reports whether the agent is to end now, and otherwise when to ask again, 0 for when
// something happens.
func (e *ending) due(between bool) (bool, time.Duration) {
	switch e.when.Load() {
	case atOnce:
		return true, 0
	case afterPass:
		return between, endingLook
	}
	return false, 0
}

// forgotten is after how long without growth a log that is still held open holds up the
// end of the agent no longer.
const forgotten = time.Minute

// betweenPasses reports that no log is being recorded or waits. What was sampled beside such a
// log would be lost with the agent.
func (ag *Agent) betweenPasses(now time.Time) bool {
	w := ag.watch.State()
	return w.Queued == 0 && ag.intake.length() == 0 && (w.Changed.IsZero() || now.Sub(w.Changed) > forgotten)
}
