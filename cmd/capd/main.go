// Capd runs on a bench: it notices new logs, tags them with the detected system, has
// them checked and tells at once about a bad pass.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/alecthomas/kong"

	"capd.example/config"
	"capd.example/internal/cli"
	"capd.example/plugins/bundled"
	"capd.example/plugins/serve"
)

// grammar is the command line.
type grammar struct {
	Config  string           `placeholder:"FILE" help:"Configuration file (default: the one 'capd check' names)."`
	Data    string           `placeholder:"DIR" help:"Folder of the store (default: per operating system)."`
	Watch   string           `placeholder:"DIR" help:"Folder that loggers write into."`
	Root    string           `hidden:"" help:"Read the bench from this recorded machine instead of the real one."`
	Version kong.VersionFlag `help:"Print the version."`

	Run       runCmd       `cmd:"" help:"Watch, tag, check and alert until interrupted." example:"capd --watch logs run"`
	Install   installCmd   `cmd:"" help:"Have the agent start with your session, and start it now; or replace an older one." example:"capd install --dry-run"`
	Uninstall uninstallCmd `cmd:"" help:"Take that back; configuration and data stay."`
	Keep      keepCmd      `cmd:"" hidden:"" help:"Run the agent and start it again when it dies."`

	Check checkCmd `cmd:"" help:"Look whether the bench is in order, and say what to do where it is not." example:"capd --config capd.toml check"`
}

// app is what every command is handed.
type app struct {
	ctx            context.Context
	config         config.Config
	given          cli.Given
	root           string
	stdout, stderr io.Writer
}

// validatorRole is the hidden argument with which the agent starts itself as the
// process that serves the standard validators.
const validatorRole = "validators"

func main() {
	if len(os.Args) == 2 && os.Args[1] == validatorRole {
		serve.Validators(bundled.Validators()...)
		return
	}
	ctx, stop := cli.Signals()
	status := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var g grammar
	kctx, done, err := cli.Parse("capd", "Watch a bench: tag each new log, check it, alert on a bad pass.", &g, args,
		stdout, stderr)
	if done {
		return cli.Done
	}
	var given cli.Given
	if err == nil {
		a := &app{ctx: ctx, given: givenOf(g), stdout: stdout, stderr: stderr, root: g.Root}
		if a.config, err = load(g); err == nil {
			given = a.given // before, the only hint is to leave them out
			err = kctx.Run(a)
		}
	}
	return cli.Status("capd", err, stderr, given)
}

// givenOf gathers what the user gave to say which configuration, store and folder are meant.
func givenOf(g grammar) cli.Given {
	return cli.Given{{Name: "--config", Value: g.Config}, {Name: "--data", Value: g.Data},
		{Name: "--watch", Value: g.Watch, For: []string{"run", "check", "install"}}}
}

// load reads the configuration without looking at whether its settings make sense: running
// refuses what makes none, checking lists all of it.
func load(g grammar) (config.Config, error) {
	c, err := config.Read(g.Config)
	if err != nil {
		return c, cli.UsageError(err, "'capd check --settings' without --config lists every setting with its meaning")
	}
	for _, folder := range []struct {
		flag, said string
		into       *string
	}{{"--data", g.Data, &c.Data}, {"--watch", g.Watch, &c.Watch}} {
		if folder.said == "" {
			continue
		}
		if *folder.into, err = filepath.Abs(folder.said); err != nil {
			return c, cli.UsageError(fmt.Errorf("%s: %w", folder.flag, err))
		}
	}
	return c, nil
}
