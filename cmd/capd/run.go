package main

import (
	"io"
	"os"
	"runtime"
	"runtime/debug"

	"github.com/rs/zerolog"

	"capd.example/agent"
	"capd.example/internal/cli"
	"capd.example/sysinfo/owncost"
)

// runCmd is `capd run`.
type runCmd struct {
	Verbose bool `short:"v" help:"On a terminal, also print details and minor events."`
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
	log := logger(a.stderr, c.Verbose, a.given)
	screen := agent.Screen{Out: a.stdout, Terminal: cli.IsTerminal(a.stdout), Colour: cli.Colours(a.stdout)}
	if screen.Terminal {
		screen.Width = func() int { return cli.Width(a.stdout) }
	}
	ag, err := agent.New(a.ctx, agent.Options{
		Config: a.config, Given: a.given, Root: a.root, Log: log, Validators: []string{self, validatorRole},
		Screen: screen,
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

// memoryLimit bounds what reading logs may leave uncollected; a larger log still works.
const memoryLimit = 64 << 20

// agentNice gives way to games and still keeps samples on time; at 19 they come late.
const agentNice = 5

func logger(out io.Writer, verbose bool, given cli.Given) zerolog.Logger {
	if cli.IsTerminal(out) {
		out = cli.Console{Out: out, Verbose: verbose, Colour: cli.Colours(out), Given: given}
	}
	return zerolog.New(out).With().Timestamp().Logger()
}
