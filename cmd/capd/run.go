package main

import (
	"context"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"time"

	"github.com/DeRuina/timberjack"
	"github.com/rs/zerolog"

	"capd.example/agent"
	"capd.example/internal/cli"
	"capd.example/internal/efficiency"
	"capd.example/internal/steering"
	"capd.example/page"
	"capd.example/page/gather"
	"capd.example/sysinfo"
	"capd.example/sysinfo/owncost"
)

// runCmd is `capd run`.
type runCmd struct {
	Verbose bool   `short:"v" help:"On a terminal, also print details and minor events."`
	Log     string `placeholder:"FILE" help:"Also write the agent's own log into this file; it is kept small."`
}

func (c runCmd) Run(a *app) error {
	// A guest on the bench: one processor is enough for the agent itself, and games go
	// first. The validators run in a process of their own at the lowest priority.
	runtime.GOMAXPROCS(1)
	debug.SetMemoryLimit(memoryLimit)
	self, err := os.Executable()
	if err != nil {
		return cli.FailedError(err)
	}
	log, done := logger(a.stderr, c, a.given)
	defer done()
	if err := owncost.SlackenTimers(timerSlack); err != nil {
		log.Debug().Err(err).Msg("timers keep their precision, and wake the processor more often")
	}
	defer cli.Unheld()()
	screen := agent.Screen{Out: a.stdout, Terminal: cli.IsTerminal(a.stdout), Colour: cli.Colours(a.stdout)}
	if screen.Terminal {
		screen.Width = func() int { return cli.Width(a.stdout) }
	}
	ag, err := agent.New(a.ctx, agent.Options{
		Config: a.config, Given: a.given, Bench: sysinfo.New(sysinfo.Options{Root: a.root, Calm: efficiency.WhenCalm}), Log: log,
		Validators: []string{self, validatorRole},
		Screen:     screen,
		Page:       a.page,
	})
	if err != nil {
		return err
	}
	defer ag.Close()
	if err := owncost.LowerPriority(agentNice); err != nil {
		log.Debug().Err(err).Msg("the agent's priority stays as it is")
	}
	return ag.Run(a.ctx)
}

// page shows what the agent does to browsers.
func (a *app) page(ctx context.Context, in agent.Inside) error {
	c, g := a.config, gather.New(a.config, in.Agent, in.Store, in.Bench)
	book, noBook := g.Book()
	return page.Serve(ctx, page.Options{Page: c.Page, Source: g, Events: in.Events, Pairing: in.Pairing,
		Started: in.Started, Version: cli.Version(), Figures: g.Figures, Order: (&steering.Desk{Book: book, NoBook: noBook,
			Bench: c.Bench, Required: c.Checks.Required, Store: in.Store, Agent: in.Agent, Changed: in.Changed}).Do})
}

// timerSlack is far below what anybody waits for, and lets most timers share a wake-up.
const timerSlack = 5 * time.Millisecond

// memoryLimit bounds what reading logs may leave uncollected; a larger log still works.
const memoryLimit = 64 << 20

// agentNice gives way to games and still keeps samples on time; at 19 they come late.
const agentNice = 5

// The file of the agent's own log: the latest 5 MB, and as much of before, compressed.
const logMegabytes, logsBefore = 5, 3

// logger writes events to out and, where one is named, to a file. Done ends that.
func logger(out io.Writer, c runCmd, given cli.Given) (log zerolog.Logger, done func() error) {
	if cli.IsTerminal(out) {
		out = cli.Console{Out: out, Verbose: c.Verbose, Colour: cli.Colours(out), Given: given}
	}
	done = func() error { return nil }
	if c.Log != "" {
		file := &timberjack.Logger{Filename: c.Log, MaxSize: logMegabytes, MaxBackups: logsBefore, Compression: "gzip",
			FileMode: 0o600}
		out, done = zerolog.MultiLevelWriter(file, out), file.Close
	}
	return zerolog.New(out).With().Timestamp().Logger(), done
}
