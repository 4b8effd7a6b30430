package agent

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"sync"
	"syscall"
	"time"

	"capd.example/notify"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
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
	if ag.service != nil {
		start("control", ag.service.Run)
	}
	if ag.config.Lab.Address != "" {
		start("lab", ag.sendToLab)
	}
	start("verify", ag.verifyStore)
	ag.resume(ctx)
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
		again.Reset(soonest(wait, lookAround))
		select {
		case <-ctx.Done():
			return
		case l := <-logs:
			ag.desk.arrive(l)
		case <-ag.desk.wakes:
		case <-again.C:
		}
	}
}

// drain carries all logs that may be carried now and returns when to ask again, 0 for
// when something happens.
func (ag *Agent) drain(ctx context.Context) time.Duration {
	for ctx.Err() == nil {
		l, wait := ag.desk.next(time.Now(), ag.watch.State())
		if l == nil && ag.idle() {
			wait = soonest(wait, ag.makeGood(ctx))
		}
		if l == nil {
			return ag.giveBack(wait)
		}
		ag.kept = time.Now()
		ag.sameStore(ctx)
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
func (ag *Agent) progress() {
	now := time.Now()
	waiting := ag.desk.length() + ag.watch.State().Queued
	if text := ag.backlog.next(waiting, now.Sub(ag.kept), now); text != "" {
		ag.log.Info().Int("waiting", waiting).Msg(text)
	}
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
	return w.Queued == 0 && !time.Now().Before(recordedUntil(w)) && ag.desk.idle() && !ag.stuck
}

// watchOver raises and clears the troubles that this loop knows of, tells what is not told
// yet, and returns when it wants to be called again.
func (ag *Agent) watchOver(ctx context.Context) time.Duration {
	wait := time.Duration(0)
	ag.sameStore(ctx)
	unread := map[string]notify.Standing{}
	for _, l := range ag.desk.unread() {
		key, s := whyUnread(l)
		if _, is := unread[key]; !is {
			unread[key] = s
		}
	}
	ag.troubles.Replace(ctx, "read", unread)
	if file, since := ag.desk.holdsUp(); file == "" {
		ag.troubles.Clear("held")
	} else if left := time.Until(since.Add(sayHeld)); left > 0 {
		ag.troubles.Clear("held")
		wait = left
	} else {
		ag.troubles.Raise(ctx, "held", fmt.Sprintf("finished logs wait since %s, for %s is being written", since.Local().Format(time.TimeOnly), file),
			fmt.Sprintf("if it is no log of a pass, keep it out of the watched folder, or out of files.patterns; the logs wait %v for it at most", patience))
	}
	if !ag.troubles.Tell(ctx) {
		wait = soonest(wait, storeRetry)
	}
	return wait
}

// whyUnread says why a log cannot be read now; alike causes have one key.
func whyUnread(l waiting) (key string, s notify.Standing) {
	advice := fmt.Sprintf("no pass is to be repeated: it is tried again every %v", storeRetry)
	if errors.Is(l.why, syscall.EMFILE) || errors.Is(l.why, syscall.ENFILE) {
		return "descriptors", notify.Standing{
			Text:   fmt.Sprintf("the agent cannot open any more files, %s among them: %v", l.Rel, l.why),
			Advice: "raise the limit of open files (ulimit -n) and start the agent again, or end what uses them up; " + advice,
		}
	}
	cause := l.why
	for next := errors.Unwrap(cause); next != nil; next = errors.Unwrap(cause) {
		cause = next
	}
	return cause.Error(), notify.Standing{
		Text:   fmt.Sprintf("a log cannot be read now: %v", l.why),
		Advice: advice + "; if it stays, look at the disk, and at what holds the log",
	}
}

// sameStore makes sure that the store's file is the one that was opened: what is written
// into a file that was deleted or replaced is lost.
func (ag *Agent) sameStore(ctx context.Context) {
	const key = "store-file"
	path := ag.store.Path()
	switch now, err := os.Stat(path); {
	case err == nil && os.SameFile(now, ag.identity):
		if ag.lost {
			ag.lost = false
			ag.resume(ctx)
		}
		ag.troubles.Clear(key)
		return
	case err == nil:
		ag.troubles.Raise(ctx, key, "the store "+path+" was replaced while the agent runs; it still has the old one open",
			"start the agent again; the logs wait, and are read again as far as the new store lacks them")
	case errors.Is(err, os.ErrNotExist):
		ag.troubles.Raise(ctx, key, "the store "+path+" was deleted while the agent runs",
			"put it back from where it went, or from a backup, and start the agent again; the logs wait, and those whose passes are lost are read again")
	default:
		ag.troubles.Raise(ctx, key, fmt.Sprintf("the store cannot be seen: %v", err), "see that the data folder's disk is well; no log is lost")
	}
	ag.lost, ag.stuck = true, true
}

// resume finishes the passes that a crash or a full store left between two steps.
func (ag *Agent) resume(ctx context.Context) {
	if ag.lost {
		return
	}
	n, err := ag.steps.Resume(ctx)
	if n > 0 {
		poke(ag.fresh)
		ag.log.Info().Int("passes", n).Msg("passes that an earlier run had stored were finished")
	}
	ag.stuck = err != nil && ctx.Err() == nil
	if ag.stuck {
		ag.log.Error().Err(err).Msg("not all unfinished passes could be finished")
		ag.troubles.Raise(ctx, "store", fmt.Sprintf("not all unfinished passes could be finished: %v", err), adviceFor(err))
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
	pass, isNew, err := ag.steps.Carry(ctx, pipeline.Log{Path: l.Path, Rel: l.Rel, Notice: l.CompleteAt, Forced: l.Forced, FileID: l.FileID})
	switch {
	case ctx.Err() != nil:
	case errors.Is(err, pipeline.ErrUnreadable):
		ag.log.Debug().Err(err).Msg("unreadable")
	case errors.Is(err, pipeline.ErrGone):
		ag.log.Warn().Err(err).Str("log", l.Path).Msg("a log went before it was read; where it only got another name it is read under that")
	case errors.Is(err, pipeline.ErrNotNow):
		ag.log.Debug().Err(err).Msg("not now")
		ag.desk.putOff(l, time.Now().Add(storeRetry), err)
	case err != nil:
		// Whatever the store has, the log is still there: it waits until the store works.
		ag.log.Error().Err(err).Msg("the store cannot take a pass now")
		ag.stuck = true
		ag.troubles.Raise(ctx, "store", err.Error(), adviceFor(err))
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
