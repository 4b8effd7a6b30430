package agent

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"capd.example/pipeline"
	"capd.example/watcher"
)

// Run works until ctx ends: it finishes what a crash left, then carries logs one by one.
func (ag *Agent) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	var parts sync.WaitGroup
	defer parts.Wait()
	defer stop()
	start := func(name string, fn func(context.Context) error) {
		parts.Go(func() {
			if err := fn(ctx); err != nil && ctx.Err() == nil {
				ag.log.Error().Err(err).Str("part", name).Msg("a part of the agent ended")
			}
		})
	}
	logs := make(chan watcher.Log)
	start("telemetry", ag.bench.Sample)
	start("alerts", ag.alerts.Run)
	if ag.server != nil {
		start("control", ag.server.Run)
	}
	if ag.config.Lab.Address != "" {
		start("lab", ag.sendToLab)
	}
	if ag.page != nil {
		start("page", ag.page)
	}
	start("verify", ag.verifyStore)
	ag.resume(ctx, nil)
	if a, warn := ag.plan.arrived(ctx, ag.bench.Detect(ctx)); warn {
		ag.troubles.Say(ctx, a)
	}
	start("watcher", func(ctx context.Context) error { return ag.watch.Run(ctx, logs) })
	ag.log.Info().Str("watch", ag.config.Watch).Str("store", ag.store.Path()).
		Msgf("watching %s for logs; passes are kept in %s", ag.config.Watch, ag.store.Path())
	ag.out.rest() // after starting
	ag.work(ctx, logs)
	ag.log.Info().Msg("stopped")
	return nil
}

// work carries logs as they become complete. While another log is being recorded it only
// waits: reading, checking and writing come after the pass.
func (ag *Agent) work(ctx context.Context, logs <-chan watcher.Log) {
	again := time.NewTimer(time.Hour)
	defer again.Stop()
	for {
		again.Stop()
		wait := soonest(ag.drain(ctx), ag.watchOver(ctx))
		end, look := ag.ending.due(ag.betweenPasses(time.Now()))
		if end {
			return
		}
		wait = soonest(wait, look)
		again.Reset(soonest(wait, lookAround))
		select {
		case <-ctx.Done():
			return
		case l := <-logs:
			ag.intake.arrive(l)
		case <-ag.intake.wakes:
		case <-ag.ending.asked:
		case <-again.C:
		}
	}
}

// drain carries all logs that may be carried now and returns when to ask again, 0 for
// when something happens.
func (ag *Agent) drain(ctx context.Context) time.Duration {
	for ctx.Err() == nil {
		l, wait := ag.intake.next(time.Now(), ag.watch.State())
		if l == nil && ag.idle() {
			wait = soonest(wait, ag.takeUp(ctx))
		}
		if l == nil && ag.idle() && !ag.stuck {
			wait = soonest(wait, ag.makeGood(ctx))
		}
		if l == nil {
			return ag.giveBack(wait)
		}
		ag.kept = time.Now()
		ag.sameStore(ctx)
		if ag.stuck {
			ag.resume(ctx, nil)
		}
		if !ag.stuck {
			ag.carry(ctx, *l)
			ag.progress()
		}
		ag.kept = time.Now()
		if ag.stuck {
			ag.intake.putBack(*l, time.Now().Add(storeRetry))
		}
	}
	return 0
}

const (
	// keepFor is how long what checking took is kept after a log: where logs queue the
	// validators are not started anew for each.
	keepFor = 3 * time.Second
	// keepLook is how often it is looked meanwhile whether a pass is being recorded.
	keepLook = 250 * time.Millisecond
)

// giveBack gives back what checking took once no log is left, and at once where a pass is
// being recorded. It returns when to ask again, wait or earlier.
func (ag *Agent) giveBack(wait time.Duration) time.Duration {
	if ag.kept.IsZero() {
		return wait
	}
	now, s := time.Now(), ag.watch.State()
	measured := now.Before(s.Recording.Add(recordingFor))
	if !measured && (s.Queued > 0 || now.Before(ag.kept.Add(keepFor))) {
		if wait == 0 || wait > keepLook {
			wait = keepLook
		}
		return wait
	}
	ag.kept = time.Time{}
	ag.host.Idle()
	ag.out.rest()
	return wait
}

const (
	// storeRetry is how long logs wait when the store could not take one, and how long one
	// log waits that could not be read.
	storeRetry = 15 * time.Second
	// lookAround is how often the agent looks after what no event tells.
	lookAround = time.Minute
	// sayHeld is how long finished logs wait for a file that is being written before that is
	// told.
	sayHeld = 30 * time.Second
)

// soonest returns the shorter of two waits, of which 0 is for ever.
func soonest(a, b time.Duration) time.Duration {
	if a <= 0 || b > 0 && b < a {
		return b
	}
	return a
}

// idle reports that no log waits or is being recorded, and that the agent may work.
func (ag *Agent) idle() bool {
	w := ag.watch.State()
	return w.Queued == 0 && !time.Now().Before(recordedUntil(w)) && ag.intake.idle()
}

// takeUp finishes what was put back to be judged again, here or by another program, while
// nothing else is to be done. It returns when to come back, 0 for when something happens.
func (ag *Agent) takeUp(ctx context.Context) time.Duration {
	if wait := time.Until(ag.retry); (ag.stuck || ag.behind) && wait > 0 {
		return wait
	}
	ag.resume(ctx, ag.idle)
	switch {
	case ag.stuck, ag.behind:
		return storeRetry
	case !ag.held.IsZero():
		return max(time.Until(ag.held), keepLook)
	}
	return 0
}

// resume finishes the passes that a crash or a full store left between two steps, and those
// that are to be judged again, as long as more says so.
func (ag *Agent) resume(ctx context.Context, more func() bool) {
	if ag.lost {
		return
	}
	n, err := ag.steps.Resume(ctx, more)
	if n > 0 {
		ag.kept = time.Now() // given back like what any log took
		poke(ag.fresh)
		ag.log.Info().Int("passes",
			n).Msg("passes that were stored and not finished, or are to be judged again, were taken up")
	}
	// One stored pass that cannot be read keeps no new log waiting.
	failed := err != nil && ctx.Err() == nil
	ag.behind = failed && errors.Is(err, pipeline.ErrUnread)
	if ag.stuck = failed && !ag.behind; failed {
		ag.retry = time.Now().Add(storeRetry)
		ag.log.Error().Err(err).Msg("not all unfinished passes could be finished")
		ag.troubles.Raise(ctx, "store", fmt.Sprintf("the agent could not finish all passes: %v", err), adviceFor(err))
	} else if ctx.Err() == nil {
		ag.troubles.Clear("store")
	}
}

func (ag *Agent) carry(ctx context.Context, l waiting) {
	info, err := os.Stat(l.Path)
	if errors.Is(err, os.ErrNotExist) {
		// It got another name, under which it is handed on, or was deleted. That is no log
		// that cannot be read, and what is known of the file must stay known: under the
		// other name it may have grown.
		ag.log.Info().Str("log", l.Path).Msgf("%s is no longer there: it was renamed or deleted while it waited", l.Rel)
		return
	}
	if err == nil && (info.Size() != l.Size || !info.ModTime().Equal(l.ModTime)) {
		return // it changed while it waited: the watcher hands it on again when it is complete
	}
	pass, isNew, err := ag.steps.Carry(ctx, pipeline.Log{Path: l.Path, Rel: l.Rel, Notice: l.CompleteAt, Forced: l.Forced,
		FileID: l.FileID})
	switch {
	case ctx.Err() != nil:
	case errors.Is(err, pipeline.ErrUnreadable):
		ag.log.Debug().Err(err).Msg("unreadable")
	case errors.Is(err, pipeline.ErrGone):
		ag.log.Warn().Err(err).Str("log", l.Path).
			Msg("a log went before it was read; where it only got another name it is read under that")
	case errors.Is(err, pipeline.ErrNotNow):
		ag.log.Debug().Err(err).Msg("not now")
		ag.intake.putOff(l, time.Now().Add(storeRetry), err)
	case err != nil:
		// Whatever the store has, the log is still there: it waits until the store works.
		ag.log.Error().Err(err).Msg("the store cannot take a pass now")
		ag.stuck = true
		ag.troubles.Raise(ctx, "store", err.Error(), adviceFor(err))
	case !isNew:
		ag.log.Info().Str("log", l.Path).Str("pass", pass.ID).
			Msgf("%s holds the same bytes as pass %s, which is stored already", l.Rel, pass.ID)
	}
}
