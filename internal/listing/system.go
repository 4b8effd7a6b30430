package listing

import (
	"context"
	"fmt"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// SystemByPrefix finds the one stored system whose identity begins so.
func SystemByPrefix(ctx context.Context, st store.Reader, prefix string) (record.System, error) {
	list, err := st.Systems(ctx)
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
	return record.System{}, cli.UsageError(fmt.Errorf("%[2]d systems begin with %[1]q: type more of it", prefix,
		len(found)), hint)
}

// PrintSystem prints every field of a system with its source.
func PrintSystem(a *cli.Streams, s record.System) error {
	var rows []table.Row
	for _, f := range s.Fields {
		name := f.Name
		if f.Identity {
			name += " *"
		}
		rows = append(rows, table.Row{name, safe.Plain(FieldText(f)), safe.Plain(f.Source)})
	}
	if _, err := safe.Fprintf(a.Out, "system %s\n", s.ID); err != nil {
		return output.WriteError(err)
	}
	output.Table(a.Out, table.Row{"field", "value", "source"}, rows)
	_, err := safe.Fprintln(a.Out, identityMark)
	return output.WriteError(err)
}

const identityMark = "* part of the system's identity: a change makes another system"

// FieldText writes a field's value with its unit, or why there is none.
func FieldText(f record.Field) string {
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

// changeLine is one line of `capctl system diff --json`.
type changeLine struct {
	Name     string       `json:"name"`
	Identity bool         `json:"identity"`
	Old      record.Field `json:"old"`
	New      record.Field `json:"new"`
}

// PrintChanges lists what differs between two systems; something is found where they do.
func PrintChanges(a *cli.Streams, x, y record.System, asJSON bool) error {
	changes := record.Diff(x, y)
	var rows []table.Row
	for _, d := range changes {
		identity := d.Old.Identity || d.New.Identity
		if asJSON {
			if err := output.WriteError(output.JSON(a.Out, changeLine{d.Name, identity, d.Old, d.New})); err != nil {
				return err
			}
			continue
		}
		name := d.Name
		if identity {
			name += " *"
		}
		rows = append(rows, table.Row{name, safe.Plain(FieldText(d.Old)), safe.Plain(FieldText(d.New))})
	}
	if len(changes) == 0 {
		safe.Fprintln(a.Err, "capctl: the two systems are the same")
		return nil
	}
	if !asJSON {
		output.Table(a.Out, table.Row{"field", x.ID, y.ID}, rows)
		if _, err := safe.Fprintln(a.Out, identityMark); err != nil {
			return output.WriteError(err)
		}
	}
	return cli.ErrFound
}
