package main

import (
	"errors"

	"capd.example/internal/listing"
	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
	"capd.example/sysinfo"
)

// systemCmd is `capctl system`.
type systemCmd struct {
	Show systemShowCmd `cmd:"" help:"Show a system of the store, or this machine as it is now." example:"capctl system show"`
	Diff systemDiffCmd `cmd:"" help:"Show what differs between two systems; exit status 1 where something does." example:"capctl system diff 91ab now"`
}

type systemShowCmd struct {
	JSON bool   `help:"Print one JSON object."`
	ID   string `arg:"" optional:"" help:"System of the store, by its identity or the beginning of it; without one this machine is detected."`
}

// Run prints every field with its source, or why it is unknown. For this machine it ends
// with what the configuration asserts and does not hold.
func (c *systemShowCmd) Run(a *app) error {
	s, err := findSystem(a, c.ID)
	if err != nil {
		return err
	}
	if c.JSON {
		err = output.WriteError(output.JSON(a.stdout, s))
	} else {
		err = listing.PrintSystem(a.Streams, s)
	}
	if err != nil {
		return err
	}
	if c.ID != "" {
		return nil
	}
	violations := record.Violations(s, a.config.System.Must)
	for _, v := range violations {
		safe.Fprintf(a.stderr, "capctl: %s must be %q and is %s\n", v.Name, v.Must, listing.FieldText(v.Is))
	}
	if len(violations) > 0 {
		return cli.ErrFound
	}
	return nil
}

// now stands for this machine in the place of a system's identity.
const now = "now"

// findSystem returns this machine or a system of the store.
func findSystem(a *app, id string) (record.System, error) {
	if id == "" || id == now {
		s := sysinfo.New(sysinfo.Options{}).Detect(a.ctx)
		return record.Declared(s, a.config.System.Declared), nil
	}
	st, err := openReader(a)
	if err != nil {
		return record.System{}, err
	}
	defer st.Close()
	s, err := st.System(a.ctx, id)
	if err == nil {
		return s, nil
	}
	if !errors.Is(err, store.ErrNotFound) {
		return s, cli.FailedError(err)
	}
	return listing.SystemByPrefix(a.ctx, st, id)
}

type systemDiffCmd struct {
	JSON bool   `help:"Print one JSON object per field that differs."`
	A    string `arg:"" help:"System of the store, or \"now\" for this machine."`
	B    string `arg:"" help:"The other one."`
}

func (c *systemDiffCmd) Run(a *app) error {
	x, err := findSystem(a, c.A)
	if err != nil {
		return err
	}
	y, err := findSystem(a, c.B)
	if err != nil {
		return err
	}
	return listing.PrintChanges(a.Streams, x, y, c.JSON)
}
