package main

import (
	"errors"
	"fmt"
	"strings"

	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

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
		err = printJSON(a, s)
	} else {
		err = printSystem(a, s)
	}
	if err != nil {
		return err
	}
	if c.ID != "" {
		return nil
	}
	violations := record.Violations(s, a.config.System.Must)
	for _, v := range violations {
		safe.Fprintf(a.stderr, "capctl: %s must be %q and is %s\n", v.Name, v.Must, fieldText(v.Is))
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
		return sysinfo.Declare(s, a.config.System.Declared), nil
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
	return systemByPrefix(a, st, id)
}

func systemByPrefix(a *app, st selection.Reader, prefix string) (record.System, error) {
	list, err := st.Systems(a.ctx)
	if err != nil {
		return record.System{}, cli.FailedError(err)
	}
	found := map[string]record.System{}
	for _, x := range list {
		if strings.HasPrefix(x.System.ID, prefix) {
			found[x.System.ID] = x.System
		}
	}
	const hint = "`capctl systems` lists them; \"now\" is this machine"
	switch len(found) {
	case 0:
		return record.System{}, cli.FailedError(fmt.Errorf("no system %q is in the store", prefix), hint)
	case 1:
		for _, s := range found {
			return s, nil
		}
	}
	return record.System{}, cli.UsageError(fmt.Errorf("%[2]d systems begin with %[1]q: type more of it", prefix, len(found)), hint)
}

func printSystem(a *app, s record.System) error {
	var rows []table.Row
	for _, f := range s.Fields {
		name := f.Name
		if f.Identity {
			name += " *"
		}
		rows = append(rows, table.Row{name, printable(fieldText(f)), printable(f.Source)})
	}
	if _, err := safe.Fprintf(a.stdout, "system %s\n", s.ID); err != nil {
		return output.WriteError(err)
	}
	output.Table(a.stdout, table.Row{"field", "value", "source"}, rows)
	_, err := safe.Fprintln(a.stdout, identityMark)
	return output.WriteError(err)
}

const identityMark = "* part of the system's identity: a change makes another system"

// fieldText writes a field's value with its unit, or why there is none.
func fieldText(f record.Field) string {
	if f.Unknown != "" {
		return unknownText(f.Unknown)
	}
	return strings.TrimSpace(f.Value + " " + f.Unit)
}

// unknownText says why there is no value of a field.
func unknownText(u record.Unknown) string {
	switch u {
	case record.Refused:
		return "unknown: permission refused"
	case record.Broken:
		return "unknown: the machine reported nonsense"
	}
	return "not reported by this machine"
}

func printJSON(a *app, v any) error {
	return output.WriteError(output.JSON(a.stdout, v))
}

type systemDiffCmd struct {
	JSON bool   `help:"Print one JSON object per field that differs."`
	A    string `arg:"" help:"System of the store, or \"now\" for this machine."`
	B    string `arg:"" help:"The other one."`
}

// changeLine is one line of `capctl system diff --json`.
type changeLine struct {
	Name     string       `json:"name"`
	Identity bool         `json:"identity"`
	Old      record.Field `json:"old"`
	New      record.Field `json:"new"`
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
	changes := record.Diff(x, y)
	var rows []table.Row
	for _, d := range changes {
		identity := d.Old.Identity || d.New.Identity
		if c.JSON {
			if err := printJSON(a, changeLine{d.Name, identity, d.Old, d.New}); err != nil {
				return err
			}
			continue
		}
		name := d.Name
		if identity {
			name += " *"
		}
		rows = append(rows, table.Row{name, printable(fieldText(d.Old)), printable(fieldText(d.New))})
	}
	if len(changes) == 0 {
		safe.Fprintln(a.stderr, "capctl: the two systems are the same")
		return nil
	}
	if !c.JSON {
		output.Table(a.stdout, table.Row{"field", x.ID, y.ID}, rows)
		if _, err := safe.Fprintln(a.stdout, identityMark); err != nil {
			return output.WriteError(err)
		}
	}
	return cli.ErrFound
}
