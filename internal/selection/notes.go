package selection

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// noted gathers the reviewer's notes about the selected passes. A lab has none.
func (sel *Basis) noted(ctx context.Context, a *cli.Streams, r store.Reader) error {
	from, has := r.(interface {
		Notes(ctx context.Context) ([]record.Note, error)
	})
	if !has {
		return nil
	}
	all, err := from.Notes(ctx)
	if errors.Is(err, store.ErrCorrupt) { // figures are no worse for it
		a.Say("warning: %v; 'capctl verify' says what is whole", err)
	} else if err != nil {
		return cli.FailedError(err)
	}
	for _, n := range record.Standing(all) {
		if slices.ContainsFunc(sel.Passes, func(p record.Pass) bool { return n.Fits(sel.valueOf(p, n)) }) {
			sel.Notes = append(sel.Notes, n)
		}
	}
	return nil
}

// valueOf gives the tags of a pass; the campaign in force has all of its names.
func (sel *Basis) valueOf(p record.Pass, n record.Note) func(string) string {
	return func(name string) string {
		v := p.Tags.Value(name)
		if name == record.TagCampaign && sel.scope != nil {
			names := sel.scope.Book.Campaign.Names()
			if about := n.About[name]; slices.Contains(names, about) && (v == "" || slices.Contains(names, v)) {
				return about
			}
		}
		return v
	}
}

// PrintNotes prints notes below a result.
func PrintNotes(a *cli.Streams, form output.Form, notes []record.Note) error {
	for i, n := range notes {
		var err error
		switch {
		case form.JSON:
			err = output.JSON(a.Out, map[string]record.Note{"note": n})
		case form.CSV: // the rows are all of one kind
		case form.Markdown:
			head := ""
			if i == 0 {
				head = "\n"
			}
			_, err = fmt.Fprintf(a.Out, "%s- Note on %s: %s\n", head, output.SafeMarkdown(n.Place()), output.SafeMarkdown(n.Text))
		default:
			_, err = safe.Fprintf(a.Out, "note on %s: %s\n", safe.Plain(n.Place()), safe.Plain(n.Text))
		}
		if err != nil {
			return output.WriteError(err)
		}
	}
	return nil
}
