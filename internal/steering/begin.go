package steering

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/record"
	"capd.example/tag"
)

// CellValues reads NAME=VALUE arguments and replaces names that machines report.
func CellValues(b *logbook.Book, args []string) (map[string]string, error) {
	out := map[string]string{}
	for _, t := range args {
		name, value, ok := strings.Cut(t, "=")
		if !ok || name == "" || value == "" {
			return nil, cli.UsageError(fmt.Errorf("%q is not a factor with a level", t), "write it as gpu=NAME")
		}
		if short, m := b.Aliases.Short(name, value); m.Kind == tag.Exact || m.Kind == tag.Pattern {
			value = short
		}
		out[name] = value
	}
	return out, nil
}

// Start returns the cell to begin with: of those asked for the first that is open, with the
// levels that are built in if there is one.
func Start(b *logbook.Book, page logbook.Page, cells []int, parts map[string]string) int {
	built, err := b.Plan.Find(parts)
	if err != nil { // a part that the campaign does not know
		built = nil
	}
	return FirstOpen(page, cells, Common(cells, built))
}

// At is the order to begin at a cell. It stays at one that is complete.
func At(b *logbook.Book, page logbook.Page, cell int) campaign.Order {
	return campaign.Order{Verb: campaign.Begin, Cell: b.Plan.Cell(cell), At: time.Now().UTC(),
		Stay: page.Coverage.State(cell).Complete()}
}

// Leave are the orders that leave cells out of the plan or, with keep, take up again those that
// are left out, and how many cells and open passes that is.
func Leave(b *logbook.Book, page logbook.Page, cells []int, keep bool) (orders []campaign.Order, open int) {
	verb, at := campaign.Skip, time.Now().UTC() // one time for all: they are undone together
	if keep {
		verb = campaign.Keep
	}
	for _, i := range cells {
		if keep && !page.Position.Skipped[i] {
			continue
		}
		open += page.Coverage.State(i).Missing()
		orders = append(orders, campaign.Order{Verb: verb, Cell: b.Plan.Cell(i), At: at})
	}
	return orders, open
}

// Stays says how to go to the first of the cells that orders name where they do not lead to one
// of them, "" where they do.
func Stays(b *logbook.Book, page logbook.Page, orders []campaign.Order) string {
	pos, _ := b.Plan.ReplayOn(slices.Concat(page.Orders, orders), page.Passes, page.Now)
	for _, o := range orders {
		if pos.Cell >= 0 && maps.Equal(b.Plan.Cell(pos.Cell), o.Cell) {
			return ""
		}
	}
	at, words := "no cell is current", ""
	if pos.Cell >= 0 {
		at = "you stay at " + b.Plan.Where(pos.Cell)
	}
	for _, f := range b.Plan.Factors() {
		if v := orders[0].Cell[f.Name]; v != "" {
			words += " " + cli.Quoted(f.Name) + "=" + cli.Quoted(v)
		}
	}
	return "; " + at + "; go back with: capctl begin" + words
}

// Unplaced says of each part that is a factor of the campaign why it is not known which
// level of it is built in.
func Unplaced(b *logbook.Book, now record.System, parts, asked map[string]string) []string {
	var notes []string
	for _, part := range []struct{ tag, field, name string }{
		{record.TagProcessor, record.FieldProcessorName, "processor"},
		{record.TagGraphics, record.FieldGraphicsName, "graphics card"},
	} {
		f, is := b.Campaign.Factor(part.tag)
		if !is {
			continue
		}
		field, known := now.Get(part.field)
		if !known {
			if parts[part.tag] == "" && asked[part.tag] == "" {
				notes = append(notes,
					fmt.Sprintf("the %s of this machine could not be detected (%s), so the plan started at the first open cell; name the part with 'capctl begin %s=...'",
						part.name, cmp.Or(field.Unknown, record.Absent), part.tag))
			}
			continue
		}
		switch _, m := b.Aliases.Short(part.tag, field.Value); m.Kind {
		case tag.Exact, tag.Pattern:
		case tag.Ambiguous:
			notes = append(notes,
				fmt.Sprintf("this machine reports its %s as %q, which fits %s; choose one under [aliases.%s] in the campaign file",
					part.name, field.Value, Listed(m.Candidates), part.tag))
		default:
			notes = append(notes,
				fmt.Sprintf("this machine reports its %s as %q, which is no level of %s (%s); passes get that name; if it is one of them, add it under [aliases.%s] in the campaign file",
					part.name, field.Value, part.tag, Listed(f.Levels), part.tag))
		}
	}
	return notes
}

// Common returns what two rising lists have in common.
func Common(x, y []int) []int {
	var out []int
	for _, i := range x {
		if _, ok := slices.BinarySearch(y, i); ok {
			out = append(out, i)
		}
	}
	return out
}

// FirstOpen returns the first of the preferred cells that is not complete, else of all of
// them, else the first that is not complete but skipped, else the first.
func FirstOpen(page logbook.Page, cells, preferred []int) int {
	for _, skipped := range []bool{false, true} {
		for _, list := range [][]int{preferred, cells} {
			for _, i := range list {
				if !page.Coverage.State(i).Complete() && page.Position.Skipped[i] == skipped {
					return i
				}
			}
		}
	}
	return cells[0]
}
