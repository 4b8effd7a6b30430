package listing

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
)

const toTheSecond = "2006-01-02 15:04:05"

// TagHistory prints the corrections of the tags of passes.
func TagHistory(ctx context.Context, a *cli.Streams, s *store.Store, passes []record.Pass, asJSON bool) error {
	var rows []output.Row
	for _, p := range passes {
		list, err := s.TagHistory(ctx, p.ID)
		if err != nil {
			return cli.FailedError(err)
		}
		for _, h := range list {
			if asJSON {
				if err := output.JSON(a.Out, h); err != nil {
					return cli.FailedError(err)
				}
				continue
			}
			note := h.Why
			if h.Undoes != "" {
				note = strings.TrimSpace("takes back " + h.Undoes + " " + note)
			}
			rows = append(rows, output.Row{p.ID, h.At.Local().Format(toTheSecond), h.Who, h.Name, tagText(h.Old),
				tagText(h.New), h.Change, note})
		}
	}
	if asJSON {
		return nil
	}
	if len(rows) == 0 {
		a.Say("these passes have no corrected tags")
		return nil
	}
	return output.WriteError(output.Table(a.Out, output.Row{"pass", "when", "who", "tag", "was", "became", "change", "why"}, rows))
}

// Correction returns the passes and tags of a correction.
func Correction(ctx context.Context, s *store.Store, change string) (ids []string, names map[string]string, err error) {
	rows, err := s.Query(ctx, `SELECT pass, name FROM corrections WHERE change = ? ORDER BY n`, change)
	if err != nil {
		return nil, nil, err
	}
	defer rows.Close()
	names = map[string]string{}
	for {
		row, err := rows.Next()
		if err != nil || row == nil {
			return ids, names, err
		}
		id, _ := row[0].(string)
		name, _ := row[1].(string)
		names[name] = ""
		if !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
}

func tagText(t *record.Tag) string {
	if t == nil {
		return "-"
	}
	return fmt.Sprintf("%s (%s)", t.Value, t.From)
}

// Notes prints the reviewer's notes that stand, with those that were taken back where all are
// asked for; about leaves out what is about something else.
func Notes(a *cli.Streams, notes []record.Note, about map[string]string, all, asJSON bool) error {
	gone := record.TakenBack(notes)
	by := map[string]string{} // what took it back
	for _, n := range notes {
		if n.Undoes != "" && !gone[n.ID] {
			by[n.Undoes] = n.ID
		}
	}
	var rows []output.Row
	for _, n := range notes {
		asked := n.Undoes == "" && (all || !gone[n.ID] && !n.InDoubt)
		for name, v := range about {
			asked = asked && n.About[name] == v
		}
		if !asked {
			continue
		}
		if asJSON {
			if err := output.JSON(a.Out, struct {
				record.Note
				TakenBack string `json:"taken_back,omitempty"`
			}{n, by[n.ID]}); err != nil {
				return cli.FailedError(err)
			}
			continue
		}
		text := n.Text
		if gone[n.ID] {
			text = "(taken back by " + by[n.ID] + ") " + text
		} else if n.InDoubt {
			text = "(perhaps taken back: that row is damaged) " + text
		}
		rows = append(rows, output.Row{n.ID, n.At.Local().Format(toTheSecond), n.Who, n.Place(), text})
	}
	if asJSON {
		return nil
	}
	if len(rows) == 0 {
		a.Say("there is no such note; write one with 'capctl note gpu=NAME --text TEXT'")
		return nil
	}
	return output.WriteError(output.Table(a.Out, output.Row{"note", "when", "who", "about", "text"}, rows))
}
