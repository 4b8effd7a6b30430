package agent

import (
	"context"
	"time"

	"capd.example/store/lab"
)

// labLook is how often the lab hears from a bench on which nothing was recorded:
// corrections by capctl go out then, and the lab sees that the bench is alive.
const labLook = 10 * time.Minute

// sendToLab sends judged passes to the lab's database until ctx ends. It is silent while
// a log is being recorded, and whatever happens to the network or the lab, the agent does
// not wait for it: what was not sent is sent later.
func (ag *Agent) sendToLab(ctx context.Context) error {
	campaign, open := "", 0
	f := &lab.Forwarder{
		Store: ag.store, Bench: ag.config.Bench, Address: ag.config.Lab.Address,
		Campaign: func() (string, int) {
			if name, passes, err := ag.plan.wants(ctx); err == nil { // else what was known before
				campaign, open = name, passes
			}
			return campaign, open
		},
		Quiet: func() bool { return time.Since(ag.watch.State().Recording) < recordingFor },
	}
	wake := make(chan struct{}, 1)
	go func() {
		look := time.NewTicker(labLook)
		defer look.Stop()
		poke(wake) // what an earlier run left
		for {
			select {
			case <-ctx.Done():
				return
			case <-look.C:
			case <-ag.fresh:
			}
			poke(wake)
		}
	}()
	failing := false
	f.Run(ctx, wake, func(sent int, err error) {
		switch {
		case err != nil && !failing:
			ag.log.Warn().Err(err).Msg("the lab cannot be reached; passes stay here and are sent later")
		case err != nil:
			ag.log.Debug().Err(err).Msg("the lab still cannot be reached")
		case sent > 0 || failing:
			ag.log.Info().Int("passes", sent).Msg("sent to the lab")
		}
		failing = err != nil
	})
	return nil
}

// poke wakes whoever listens, without waiting for it.
func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
