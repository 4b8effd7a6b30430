package agent

import (
	"fmt"
	"math"
	"time"

	"capd.example/record"
)

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
	waiting := ag.intake.length() + ag.watch.State().Queued
	if text := ag.backlog.next(waiting, now.Sub(ag.kept), now); text != "" {
		ag.log.Info().Int("waiting", waiting).Msg(text)
	}
}
