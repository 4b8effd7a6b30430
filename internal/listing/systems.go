package listing

import (
	"fmt"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
)

// PrintSystems lists systems with the passes that ran on them.
func PrintSystems(a *cli.Streams, list []store.SystemSeen, asJSON bool) error {
	var rows []table.Row
	for _, seen := range list {
		if asJSON {
			line := struct {
				record.System
				Bench  string    `json:"bench"`
				First  time.Time `json:"first_seen_at"`
				Last   time.Time `json:"last_seen_at"`
				Passes int       `json:"passes"`
			}{seen.System, seen.Bench, seen.First, seen.Last, seen.Passes}
			if err := output.JSON(a.Out, line); err != nil {
				return cli.FailedError(err)
			}
			continue
		}
		rows = append(rows, table.Row{seen.System.ID, seen.Bench, known(seen.System, record.FieldProcessorName),
			known(seen.System, record.FieldGraphicsName), known(seen.System, record.FieldGraphicsDriver),
			known(seen.System, record.FieldOSBuild), fmt.Sprint(seen.Passes), seen.Last.Local().Format("2006-01-02 15:04")})
	}
	switch {
	case asJSON:
	case len(rows) == 0:
		a.Nothing("no system is stored", "it comes with the first pass; 'capctl system show' detects this machine")
	default:
		output.Table(a.Out, table.Row{"system", "bench", "processor", "graphics", "driver", "build", "passes", "last seen"},
			rows)
	}
	return nil
}

// known returns a field's value, or why it is unknown in brackets.
func known(s record.System, name string) string {
	f, ok := s.Get(name)
	if !ok {
		return "(" + unknownText(f.Unknown) + ")"
	}
	if f.Unit != "" {
		return f.Value + " " + f.Unit
	}
	return f.Value
}
