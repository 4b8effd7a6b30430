package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"sync"
	"time"

	"capd.example/notify"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
	"capd.example/watcher"
)

// run works until ctx ends: it finishes what a crash left, then carries logs one by one.
func (ag *agent) run(ctx context.Context) error {
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
	if ag.service != nil {
		start("control", ag.service.Run)
	}
	if ag.config.Lab.Address != "" {
		start("lab", ag.sendToLab)
	}
	start("verify", ag.verifyStore)
	ag.resume(ctx)
	if a, warn := ag.plan.arrived(ctx, ag.bench.Detect(ctx)); warn {
		ag.tell().send(ctx, a)
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
func (ag *agent) work(ctx context.Context, logs <-chan watcher.Log) {
	again := time.NewTimer(time.Hour)
	defer again.Stop()
	for {
		again.Stop()
		if wait := ag.drain(ctx); wait > 0 {
			again.Reset(wait)
		}
		select {
		case <-ctx.Done():
			return
		case l := <-logs:
			ag.desk.waiting(l)
		case <-ag.desk.wakes:
		case <-again.C:
		}
	}
}

// drain carries all logs that may be carried now and returns when to ask again, 0 for
// when something happens.
func (ag *agent) drain(ctx context.Context) time.Duration {
	for ctx.Err() == nil {
		l, wait := ag.desk.next(time.Now(), ag.watch.State().Recording)
		if l == nil {
			return ag.giveBack(wait)
		}
		ag.kept = time.Now()
		if ag.stuck {
			ag.resume(ctx)
		}
		if !ag.stuck {
			ag.carry(ctx, *l)
			ag.progress()
		}
		ag.kept = time.Now()
		if ag.stuck {
			ag.desk.putBack(*l, time.Now().Add(storeRetry))
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
func (ag *agent) giveBack(wait time.Duration) time.Duration {
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

// backlog is a row of logs that are taken in one after the other.
type backlog struct {
	since time.Time // the first of them was begun
	taken int
	told  time.Time
}

const (
	backlogLeast = 5                // logs that wait from which on people are told
	backlogEvery = 10 * time.Second // and how often
)

// next counts a log that was taken while others wait; text says how many and how long they
// will take, "" where there is nothing to say now.
func (b *backlog) next(waiting int, took time.Duration, now time.Time) (text string) {
	if waiting == 0 {
		*b = backlog{}
		return ""
	}
	if b.taken == 0 {
		b.since = now.Add(-took)
	}
	b.taken++
	if waiting < backlogLeast || now.Sub(b.told) < backlogEvery {
		return ""
	}
	b.told = now
	left := time.Duration(float64(now.Sub(b.since)) / float64(b.taken) * float64(waiting))
	return fmt.Sprintf("%s to go, about %s", record.Count(waiting, "log"), roughly(left))
}

// roughly says for people how long something takes.
func roughly(d time.Duration) string {
	switch {
	case d < 50*time.Second:
		return record.Count(max(10, int(d.Seconds()+5)/10*10), "second")
	case d < 50*time.Minute:
		return record.Count(int(math.Ceil(d.Minutes()-0.25)), "minute")
	}
	return fmt.Sprintf("%.1f hours", d.Hours())
}

// progress says how many logs wait, now and then.
func (ag *agent) progress() {
	now := time.Now()
	waiting := ag.desk.length() + ag.watch.State().Queued
	if text := ag.backlog.next(waiting, now.Sub(ag.kept), now); text != "" {
		ag.log.Info().Int("waiting", waiting).Msg(text)
	}
}

// storeRetry is how long logs wait when the store could not take one.
const storeRetry = 15 * time.Second

// resume finishes the passes that a crash or a full store left between two steps.
func (ag *agent) resume(ctx context.Context) {
	n, err := ag.steps.Resume(ctx)
	if n > 0 {
		poke(ag.fresh)
		ag.log.Info().Int("passes", n).Msg("passes that an earlier run had stored were finished")
	}
	ag.stuck = err != nil && ctx.Err() == nil
	if ag.stuck {
		ag.log.Error().Err(err).Msg("not all unfinished passes could be finished")
	}
}

func (ag *agent) carry(ctx context.Context, l watcher.Log) {
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
	pass, isNew, err := ag.steps.Carry(ctx, pipeline.Log{Path: l.Path, Rel: l.Rel, Notice: l.CompleteAt, Forced: l.Forced, FileID: l.FileID})
	switch {
	case ctx.Err() != nil:
	case errors.Is(err, pipeline.ErrUnreadable):
		ag.log.Debug().Err(err).Msg("unreadable")
	case err != nil:
		// Whatever the store has, the log is still there: it waits until the store works.
		ag.log.Error().Err(err).Msg("the store cannot take a pass now")
		ag.stuck = true
		ag.tell().send(ctx, notify.FromTrouble(ag.config.Bench, err.Error(), adviceFor(err), time.Now()))
	case !isNew:
		ag.log.Info().Str("log", l.Path).Str("pass", pass.ID).Msgf("%s holds the same bytes as pass %s, which is stored already", l.Rel, pass.ID)
	}
}

func adviceFor(err error) string {
	what := "see that the data folder's disk is well"
	switch {
	case errors.Is(err, store.ErrFull):
		what = "make room on the data folder's disk"
	case errors.Is(err, store.ErrReadOnly):
		what = "make the data folder writable"
	case errors.Is(err, store.ErrBusy):
		what = "end what keeps the store busy"
	case errors.Is(err, store.ErrCorrupt):
		what = "run 'capctl verify'"
	}
	return fmt.Sprintf("%s; no log is lost, and the agent tries again every %s", what, storeRetry)
}
