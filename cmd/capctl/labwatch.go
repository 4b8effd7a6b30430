package main

import (
	"errors"
	"time"

	"capd.example/internal/cli"
	"capd.example/internal/labtalk"
	"capd.example/store/lab"
)

// labWatchCmd is `capctl lab watch`.
type labWatchCmd struct {
	Silent  time.Duration `default:"30m" help:"How long a bench whose campaign still wants passes may be silent; benches report every ten minutes, but not while a pass runs."`
	Clock   time.Duration `default:"2s" help:"By how much a bench's clock may be off."`
	Backlog int           `default:"100" help:"How many passes a bench may still have to send."`
	Bad     int           `default:"5" help:"How many bad passes of one bench within --within are too many."`
	Within  time.Duration `default:"1h" help:"The time for --bad."`
	Every   time.Duration `default:"1m" help:"How often to look."`
	Once    bool          `help:"Look once, alert nobody, and end with status 1 where something needs somebody."`
	JSON    bool          `name:"json" help:"Print one JSON object per alarm, each once."`
}

func (c *labWatchCmd) Run(a *app, parent *labCmd) error {
	if c.Silent <= 0 || c.Clock <= 0 || c.Backlog < 0 || c.Bad < 1 || c.Within <= 0 || c.Every < time.Second {
		return cli.UsageError(errors.New("a limit of the watch is out of range"),
			"--silent, --clock and --within must be above 0, --every at least 1s, --bad at least 1, --backlog at least 0")
	}
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	limits := lab.Limits{Silent: c.Silent, Clock: c.Clock.Seconds(), Backlog: c.Backlog, Bad: c.Bad, Within: c.Within}
	w := labtalk.Watcher{Streams: a.Streams, Lab: l, Limits: limits, Every: c.Every, Notify: a.config.Notify,
		JSON: c.JSON}
	if c.Once {
		err = w.Once(a.ctx)
	} else {
		err = w.Run(a.ctx)
	}
	var told *cli.Error
	if err == nil || errors.Is(err, cli.ErrFound) || errors.As(err, &told) {
		return err
	}
	return labError(err)
}
