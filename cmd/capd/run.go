package main

import (
	"io"
	"os"
	"runtime"
	"runtime/debug"

	"github.com/rs/zerolog"
	"golang.org/x/term"

	"capd.example/agent"
	"capd.example/internal/cli"
	"capd.example/sysinfo"
)

// runCmd is `capd run`.
type runCmd struct {
	Verbose bool `short:"v" help:"On a terminal, also print details and events that matter to nobody but the curious."`
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
	ag, err := agent.New(a.ctx, agent.Options{
		Config: a.config, Given: a.given, Root: a.root, Log: log, Validators: []string{self, validatorRole},
		Screen: agent.Screen{Out: a.stdout, Terminal: isTerminal(a.stdout), Colour: colours(a.stdout), Width: width(a.stdout)},
	})
	if err != nil {
		return err
	}
	defer ag.Close()
	if err := sysinfo.LowerPriority(agentNice); err != nil {
		log.Debug().Err(err).Msg("the agent's priority stays as it is")
	}
	return ag.Run(a.ctx)
}

// memoryLimit bounds what reading logs may leave uncollected; a larger log still works.
const memoryLimit = 64 << 20

// agentNice gives way to games and still keeps samples on time; at 19 they come late.
const agentNice = 5

func logger(out io.Writer, verbose bool, given cli.Given) zerolog.Logger {
	if isTerminal(out) {
		out = cli.Console{Out: out, Verbose: verbose, Colour: colours(out), Given: given}
	}
	return zerolog.New(out).With().Timestamp().Logger()
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// colours reports whether colours may be written: to terminals only, and not where the
// user asks for none in the usual way.
func colours(w io.Writer) bool { return isTerminal(w) && os.Getenv("NO_COLOR") == "" }

// width returns what asks for the columns of a terminal, nil for anything else.
func width(w io.Writer) func() int {
	f, ok := w.(*os.File)
	if !ok || !isTerminal(w) {
		return nil
	}
	return func() int {
		columns, _, err := term.GetSize(int(f.Fd()))
		if err != nil {
			return 0
		}
		return columns
	}
}
