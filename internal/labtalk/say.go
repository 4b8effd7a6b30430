package labtalk

import (
	"cmp"
	"fmt"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/internal/text"
	"capd.example/store/lab"
)

// mostNotes is how many notes of a lab are told on standard error.
const mostNotes = 10

// Notes tells what the answers of labs left out or decided: to people the first few, to
// programs all, on lines of their own after the answer.
func Notes(s *cli.Streams, labs []*lab.Lab, json bool) error {
	var list []lab.Note
	told, more := map[lab.Note]bool{}, 0 // a command may ask a lab several times
	for _, l := range labs {
		its, beyond := l.Notes()
		for _, n := range its {
			if !told[n] {
				told[n], list = true, append(list, n)
			}
		}
		more = max(more, beyond)
	}
	if len(list) == 0 {
		return nil
	}
	for i, n := range list {
		if json {
			if err := output.JSON(s.Out, n); err != nil {
				return cli.FailedError(err)
			}
		}
		if i < mostNotes {
			text.Fprintf(s.Err, "capctl: the lab, bench %s, %s: %s\n", n.Bench, cmp.Or(n.Pass, n.System, "its own row"), n.Why)
		}
	}
	if beyond := max(0, len(list)-mostNotes) + more; beyond > 0 {
		text.Fprintf(s.Err, "capctl: the lab: %d more of this kind\n", beyond)
	}
	if more > 0 && json {
		if err := output.JSON(s.Out, lab.Note{Why: fmt.Sprintf("%d more of this kind", more)}); err != nil {
			return cli.FailedError(err)
		}
	}
	text.Fprintln(s.Err, "capctl: rows that contradict themselves are left out, the rest is answered; "+
		"check who has the logins of the benches named above")
	return nil
}

// Benches prints how benches stand with their lab.
func Benches(s *cli.Streams, list []lab.Bench, json bool) error {
	if len(list) == 0 && !json {
		text.Fprintln(s.Err,
			"capctl: no bench has sent anything yet: set lab.address in the benches' configurations, or run 'capctl lab send' there")
		return nil
	}
	var rows []table.Row
	for _, b := range list {
		if json {
			if err := output.JSON(s.Out, b); err != nil {
				return cli.FailedError(err)
			}
		}
		rows = append(rows, table.Row{text.Line(b.Name), b.Passes, b.Bad, b.SeenAt.Format(time.RFC3339), b.Backlog,
			fmt.Sprintf("%.1f s", b.Skew)})
	}
	if !json {
		output.Table(s.Out, table.Row{"bench", "passes", "bad", "last seen", "backlog", "clock off by"}, rows)
	}
	return nil
}
