package main

import (
	"errors"
	"fmt"

	"capd.example/agent"
	"capd.example/internal/autostart"
	"capd.example/internal/checkup"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/sysinfo"
)

// checkCmd is `capd check`.
type checkCmd struct {
	JSON     bool   `help:"Print one JSON object for each thing that was looked at."`
	Send     bool   `help:"Try the alert channels with a real message."`
	Settings bool   `help:"Instead, print every setting in force with its meaning, as a configuration file."`
	Record   string `placeholder:"FILE" help:"Instead, write what this machine answers to FILE, for those who develop capd: no serial numbers, no names."`
}

func (c checkCmd) Run(a *app) error {
	wrong := agent.WrongSettings(a.config)
	if c.Settings {
		return a.settings(wrong)
	}
	if c.Record != "" {
		return a.record(c.Record, c.JSON)
	}
	self, err := autostart.Self()
	if err != nil {
		return cli.FailedError(err)
	}
	found := checkup.Look(a.ctx, checkup.Here(a.config, sysinfo.New(sysinfo.Options{Root: a.root}),
		[]string{self, validatorRole}), checkup.Options{Config: a.config, Wrong: wrong, Send: c.Send})
	for _, f := range found {
		if c.JSON {
			err = output.JSON(a.stdout, f)
		} else {
			err = f.Print(a.stdout, a.given.Carry)
		}
		if err != nil {
			return cli.FailedError(err)
		}
	}
	if checkup.Any(found) {
		return cli.ErrFound
	}
	return nil
}

// settings prints the settings in force, without secrets, and what is wrong with them.
func (a *app) settings(wrong []error) error {
	c := a.config
	c.Notify, c.Lab = c.Notify.Hidden(), c.Lab.Hidden()
	text, err := checkup.Printed(c)
	if err == nil {
		_, err = a.stdout.Write(text)
	}
	if err != nil {
		return cli.FailedError(fmt.Errorf("print the configuration: %w", err))
	}
	if err := errors.Join(wrong...); err != nil {
		return cli.UsageError(err)
	}
	return nil
}
