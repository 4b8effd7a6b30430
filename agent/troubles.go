package agent

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"

	"capd.example/notify"
	"capd.example/store"
)

// watchOver raises and clears the troubles that this loop knows of, tells what is not told
// yet, and returns when it wants to be called again.
func (ag *Agent) watchOver(ctx context.Context) time.Duration {
	wait := time.Duration(0)
	ag.sameStore(ctx)
	unread := map[string]notify.Standing{}
	for _, l := range ag.intake.unread() {
		key, s := whyUnread(l)
		if _, is := unread[key]; !is {
			unread[key] = s
		}
	}
	ag.troubles.Replace(ctx, "read", unread)
	if file, since := ag.intake.holdsUp(); file == "" {
		ag.troubles.Clear("held")
	} else if left := time.Until(since.Add(sayHeld)); left > 0 {
		ag.troubles.Clear("held")
		wait = left
	} else {
		ag.troubles.Raise(ctx, "held", fmt.Sprintf("finished logs have waited since %s because something still writes %s",
			since.Local().Format(time.TimeOnly), file),
			fmt.Sprintf("if that file is no log, keep it out of the watched folder or out of files.patterns; the logs wait at most %v", patience))
	}
	if !ag.troubles.Tell(ctx) {
		wait = soonest(wait, storeRetry)
	}
	return wait
}

// whyUnread says why a log cannot be read now; alike causes have one key.
func whyUnread(l waiting) (key string, s notify.Standing) {
	advice := fmt.Sprintf("do not repeat a pass: the agent tries again every %v", storeRetry)
	if errors.Is(l.why, syscall.EMFILE) || errors.Is(l.why, syscall.ENFILE) {
		return "descriptors", notify.Standing{
			Text:   fmt.Sprintf("the agent cannot open any more files, %s among them: %v", l.Rel, l.why),
			Advice: "raise the limit of open files (ulimit -n) and start the agent again, or end the program that uses them up; " + advice,
		}
	}
	cause := l.why
	for next := errors.Unwrap(cause); next != nil; next = errors.Unwrap(cause) {
		cause = next
	}
	return cause.Error(), notify.Standing{
		Text:   fmt.Sprintf("the agent cannot read a log now: %v", l.why),
		Advice: advice + "; if it fails again, look at the disk and at the program that holds the log",
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
			ag.resume(ctx, nil)
		}
		ag.troubles.Clear(key)
		return
	case err == nil:
		ag.troubles.Raise(ctx, key, "the store "+path+" was replaced; the agent still uses the old one",
			"start the agent again; it then reads the logs that the new store lacks")
	case errors.Is(err, os.ErrNotExist):
		ag.troubles.Raise(ctx, key, "the store "+path+" was deleted while the agent runs",
			"put it back or restore a backup, and start the agent again; it then reads the logs whose passes are missing")
	default:
		ag.troubles.Raise(ctx, key, fmt.Sprintf("the agent cannot see the store: %v", err),
			"check the data folder's disk; no log is lost")
	}
	ag.lost, ag.stuck = true, true
}

func adviceFor(err error) string {
	what := "check the data folder's disk"
	switch {
	case errors.Is(err, store.ErrFull):
		what = "make room on the data folder's disk"
	case errors.Is(err, store.ErrReadOnly):
		what = "make the data folder writable"
	case errors.Is(err, store.ErrBusy):
		what = "end the program that keeps the store busy"
	case errors.Is(err, store.ErrCorrupt):
		what = "check the data folder's disk, and run 'capctl verify' if this lasts"
	}
	return fmt.Sprintf("%s; no log is lost: the agent tries again every %s", what, storeRetry)
}
