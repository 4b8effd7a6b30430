package agent

import (
	"context"
	"fmt"
	"sync"
	"time"

	"capd.example/internal/text"
	"capd.example/notify"
	"capd.example/store"
)

// The store is verified a little at a time: so many passes a minute while the bench is at
// rest, and the file as a whole after the last of them. A day after all is done it begins
// anew. A pass costs a few milliseconds.
const (
	verifyEvery  = time.Minute
	verifyPasses = 20
	verifyAgain  = 24 * time.Hour
)

// verifyAt is where the position is kept between runs of the agent.
const verifyAt = "agent.verified"

// inspector verifies a store part by part and tells each problem once.
type inspector struct {
	store  *store.Store
	atRest func() bool
	tell   func(ctx context.Context, what, advice string)

	after int64
	told  map[store.Problem]bool
}

// part verifies one part, unless the bench is not at rest; it stops where that changes. Done
// says that the whole store was gone through.
func (v *inspector) part(ctx context.Context, limit int) (done bool, err error) {
	if !v.atRest() {
		return false, nil
	}
	ctx, stop := context.WithCancel(ctx)
	var watch sync.WaitGroup
	defer watch.Wait()
	defer stop()
	watch.Go(func() {
		look := time.NewTicker(200 * time.Millisecond)
		defer look.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-look.C:
				if !v.atRest() {
					stop()
				}
			}
		}
	})
	r, next, err := v.store.VerifyPart(ctx, v.after, limit)
	if err != nil {
		if ctx.Err() != nil {
			err = nil // the same part comes again
		}
		return false, err
	}
	v.after = next
	v.report(context.WithoutCancel(ctx), r.Problems)
	return next == 0, nil
}

// report tells what is new, all of a part at once.
func (v *inspector) report(ctx context.Context, found []store.Problem) {
	if v.told == nil {
		v.told = map[store.Problem]bool{}
	}
	var first *store.Problem
	more := 0
	for i, p := range found {
		switch {
		case v.told[p]:
			continue
		case first == nil:
			first = &found[i]
		default:
			more++
		}
		v.told[p] = true
	}
	if first == nil {
		return
	}
	what, advice := "the store is damaged: ", "run 'capctl verify': it lists all damage and says how to save the rest"
	if first.Unread {
		what, advice = "a part of the store could not be read: ",
			"check the disk; if it fails again, save the store with 'capctl backup' while it can be read"
	}
	if first.Pass != "" {
		what += fmt.Sprintf("pass %s (%s): ", first.Pass, first.Log)
	}
	what += first.What
	if more > 0 {
		what += fmt.Sprintf("; and %d more", more)
	}
	v.tell(ctx, text.Line(what), advice)
}

// verifyStore verifies the store while the bench is at rest, for as long as the agent runs.
func (ag *Agent) verifyStore(ctx context.Context) error {
	v := inspector{store: ag.store, atRest: ag.atRest, tell: func(ctx context.Context, what, advice string) {
		ag.log.Error().Msg(what)
		ag.tell().send(ctx, notify.FromTrouble(ag.config.Bench, what, advice, time.Now()))
	}}
	if kept, known, err := ag.store.Setting(ctx, verifyAt); err == nil && known {
		fmt.Sscan(kept, &v.after) // another text begins from the first
	}
	defer func() { // once, at the end: between passes nothing is written
		ag.store.SetSetting(context.WithoutCancel(ctx), verifyAt, fmt.Sprint(v.after))
	}()
	wait := time.NewTimer(verifyEvery)
	defer wait.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-wait.C:
		}
		done, err := v.part(ctx, verifyPasses)
		if err != nil {
			ag.log.Debug().Err(err).Msg("the store cannot be verified now")
		}
		if done {
			wait.Reset(verifyAgain)
		} else {
			wait.Reset(verifyEvery)
		}
	}
}

// atRest reports that no log is being recorded, was so a moment ago, or waits.
func (ag *Agent) atRest() bool {
	w := ag.watch.State()
	return w.Pending == 0 && w.Queued == 0 && ag.intake.length() == 0 && time.Since(w.Recording) >= verifyEvery
}
