package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"capd.example/agent"
	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/autostart"
	"capd.example/internal/cli"
)

// installCmd is `capd install`.
type installCmd struct {
	DryRun bool `help:"Print what would be written and run, and change nothing."`
	Now    bool `help:"Do not wait for the end of a pass that is being recorded."`
}

func (c installCmd) Run(a *app) error {
	if wrong := agent.WrongSettings(a.config); len(wrong) > 0 { // with them it would not start
		return cli.UsageError(config.InFile(a.config.From, errors.Join(wrong...)), "'capd check --settings' lists every setting with its meaning")
	}
	return a.autostart(autostart.Job.Install, autostart.Job{Now: c.Now, DryRun: c.DryRun})
}

// uninstallCmd is `capd uninstall`.
type uninstallCmd struct {
	DryRun bool `help:"Print what would be removed, and change nothing."`
	Now    bool `help:"Do not wait for the end of a pass that is being recorded."`
}

func (c uninstallCmd) Run(a *app) error {
	if err := a.autostart(autostart.Job.Uninstall, autostart.Job{Now: c.Now, DryRun: c.DryRun}); err != nil || c.DryRun {
		return err
	}
	for what, path := range map[string]string{"passes": a.config.Data, "configuration": config.DefaultFile()} {
		if _, err := os.Stat(path); err == nil {
			fmt.Fprintf(a.stderr, "your %s stay: %s\n", what, path)
		}
	}
	return nil
}

// autostart does what the command asks for, for the user whose session this is.
func (a *app) autostart(do func(autostart.Job, context.Context) error, j autostart.Job) (err error) {
	if j.Self, err = autostart.Self(); err == nil {
		j.Place, err = autostart.Here(a.ctx)
	}
	if err == nil {
		j.Given, err = a.given.Anywhere()
	}
	if err != nil {
		return cli.FailedError(err)
	}
	j.Version, j.Data, j.Log = cli.Version(), a.config.Data, ownLog(a.config)
	j.Tell = func(format string, args ...any) { fmt.Fprintf(a.stderr, format+"\n", args...) }
	j.Plan = func(p autostart.Plan) error { return p.Print(a.stdout) }
	switch err := do(j, a.ctx); {
	case errors.Is(err, control.ErrHeld):
		return cli.FailedError(err, "stop it where you started it, then repeat this command")
	case errors.Is(err, autostart.ErrOtherUser):
		return cli.UsageError(err, "type the same without sudo")
	default:
		return err
	}
}

// ownLog is where an installed agent keeps its own log.
func ownLog(c config.Config) string { return filepath.Join(c.Data, "agent.log") }

// keepCmd is `capd keep`, which is for sessions that do not start a program again that died.
type keepCmd struct {
	Log string `placeholder:"FILE"`
}

func (c keepCmd) Run(a *app) error {
	autostart.Unattended()
	self, err := os.Executable()
	if err != nil {
		return cli.FailedError(err)
	}
	args, err := a.given.Anywhere()
	if err != nil {
		return cli.FailedError(err)
	}
	return autostart.Keep(a.ctx, append(append([]string{self}, args...), "run", "--log", c.Log), cli.Usage)
}
