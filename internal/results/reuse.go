package results

import (
	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis/reuse"
	"capd.example/internal/cli"
	"capd.example/internal/output"
)

// PrintDifferences lists what differs between older and new passes.
func PrintDifferences(a *cli.Streams, form output.Form, gate reuse.Comparability, data func() output.Data) error {
	if len(gate.Differences) == 0 {
		return nil
	}
	return output.Emit(a, form, gate.Differences, table.Row{"difference", "older", "new", "matters", "why"},
		func(d reuse.Difference) table.Row {
			word := "no"
			if d.Matters {
				word = "yes"
			}
			if d.Accepted {
				word = "accepted"
			}
			return table.Row{d.Name, output.Values(d.Old), output.Values(d.New), word, d.Why}
		}, data)
}
