package steering

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"
	"time"

	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	safe "capd.example/internal/text"
)

// partsOf returns the levels of a cell that are parts, which somebody has to build in.
func partsOf(b *logbook.Book, cell int) map[string]string {
	parts := b.Plan.Cell(cell)
	maps.DeleteFunc(parts, func(name, level string) bool { return level == "" || slices.Contains(settings, name) })
	return parts
}

// BackTarget finds the cell to go back to. No part is exchanged for it that is not named.
func BackTarget(a *cli.Streams, b *logbook.Book, page logbook.Page, asked []string) (int, error) {
	want, err := CellValues(b, asked)
	if err != nil {
		return 0, err
	}
	named, err := b.Plan.Find(want)
	if err != nil {
		return 0, cli.UsageError(err)
	}
	latest := recordedLast(page)
	here := page.Position.Cell
	if here < 0 && len(latest) > 0 {
		here = latest[0]
	}
	if here < 0 {
		if len(named) == 1 {
			return named[0], nil
		}
		return 0, cli.UsageError(errors.New("there is no cell to go back to: no pass is recorded yet"),
			"'capctl begin factor=level' goes to any cell")
	}
	parts := partsOf(b, here)
	for name := range want {
		delete(parts, name)
	}
	cells := named
	if len(parts) > 0 {
		built, err := b.Plan.Find(parts)
		if err != nil {
			return 0, cli.FailedError(err)
		}
		cells = Common(named, built)
		a.Say("assumed to be built in: %s", safe.Plain(Pairs(parts)))
	}
	// From a cell that has passes it goes on backwards, so that going back twice comes farther
	// back and not to where one was.
	for _, i := range latest[slices.Index(latest, here)+1:] {
		if i != page.Position.Cell && slices.Contains(cells, i) {
			return i, nil
		}
	}
	if len(asked) == 0 {
		been := func(i int) bool { return slices.Contains(latest, i) }
		return before(slices.DeleteFunc(slices.Clone(cells), been), here, parts)
	}
	return theOne(b, strings.Join(asked, " "), cells, named, parts)
}

// before is the last of the cells ahead of the one where one is.
func before(cells []int, here int, parts map[string]string) (int, error) {
	at := -1
	for _, i := range cells {
		if i < here {
			at = i
		}
	}
	if at < 0 {
		return 0, nowhere(parts)
	}
	return at, nil
}

// theOne is the one cell that was named, where it is one.
func theOne(b *logbook.Book, asked string, cells, named []int, parts map[string]string) (int, error) {
	switch {
	case len(cells) == 1:
		return cells[0], nil
	case len(cells) > 1:
		return 0, cli.UsageError(fmt.Errorf("%d cells have %s, and none of them has a pass", len(cells), asked),
			"name more factors")
	case len(named) > 0:
		return 0, cli.UsageError(fmt.Errorf("with %s no cell has %s", Pairs(parts), asked),
			"name the part too, once it is in: capctl back "+asked+" "+firstDiffering(b, named[0], parts))
	}
	return 0, nowhere(parts)
}

func nowhere(parts map[string]string) error {
	return cli.UsageError(fmt.Errorf("with %s there is no cell to go back to", cmp.Or(Pairs(parts), "the plan")),
		"name another part with 'capctl back factor=level', or go to any cell with 'capctl begin factor=level'")
}

// firstDiffering is the part of a cell that is not among those built in, as one types it.
func firstDiffering(b *logbook.Book, cell int, parts map[string]string) string {
	values := b.Plan.Cell(cell)
	for _, f := range b.Plan.Factors() {
		if is, ok := parts[f.Name]; ok && values[f.Name] != is {
			return cli.Quoted(f.Name) + "=" + cli.Quoted(values[f.Name])
		}
	}
	return ""
}

// recordedLast returns the cells that have passes, that of the latest first.
func recordedLast(page logbook.Page) []int {
	type at struct {
		cell int
		t    time.Time
	}
	var list []at
	for i := range page.Coverage.Plan.Len() {
		var last time.Time
		for _, p := range page.Coverage.Passes(i) {
			if p.EndedAt.After(last) {
				last = p.EndedAt
			}
		}
		if !last.IsZero() {
			list = append(list, at{i, last})
		}
	}
	slices.SortStableFunc(list, func(x, y at) int { return y.t.Compare(x.t) })
	out := make([]int, len(list))
	for i, x := range list {
		out[i] = x.cell
	}
	return out
}

// Matching returns the cells whose levels match all of factor=pattern.
func Matching(b *logbook.Book, words []string) ([]int, error) {
	all, err := b.Plan.Find(nil)
	if err != nil {
		return nil, cli.FailedError(err)
	}
	for _, w := range words {
		want, err := CellValues(b, []string{w})
		if err != nil {
			return nil, err
		}
		for name, level := range want {
			f, ok := b.Campaign.Factor(name)
			if !ok || !strings.ContainsAny(level, "*?") || slices.Contains(f.Levels, level) {
				some, err := b.Plan.Find(want) // which says what is wrong with a name
				if err != nil {
					return nil, cli.UsageError(err)
				}
				all = Common(all, some)
				continue
			}
			all = slices.DeleteFunc(all, func(i int) bool {
				hit, err := path.Match(strings.ReplaceAll(level, "/", "\x00"),
					strings.ReplaceAll(b.Plan.Cell(i)[name], "/", "\x00"))
				return err != nil || !hit
			})
		}
	}
	return all, nil
}

// LastSkipped returns the cells that the last order to skip left out, as far as they still
// are.
func LastSkipped(b *logbook.Book, page logbook.Page) (cells []int) {
	var at time.Time
	for _, o := range slices.Backward(page.Orders) {
		if o.Verb != campaign.Skip {
			continue
		}
		found, err := b.Plan.Find(nonEmpty(o.Cell))
		if err != nil || len(found) != 1 || !page.Position.Skipped[found[0]] && !page.Position.NoControl[found[0]] {
			continue
		}
		if at.IsZero() {
			at = o.At
		}
		if !o.At.Equal(at) {
			break
		}
		cells = append(cells, found[0])
	}
	slices.Sort(cells)
	return slices.Compact(cells)
}

func nonEmpty(values map[string]string) map[string]string {
	values = maps.Clone(values)
	maps.DeleteFunc(values, func(_, v string) bool { return v == "" })
	return values
}
