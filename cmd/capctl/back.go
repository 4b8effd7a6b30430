package main

import (
	"cmp"
	"context"
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
	"capd.example/record"
	"capd.example/store"
)

// backCmd is `capctl back`.
type backCmd struct {
	campaignFlag
	JSON bool     `name:"json" help:"One JSON object: the position."`
	Cell []string `arg:"" optional:"" name:"factor=level" help:"The cell to go back to (default: with the parts that are built in, the one recorded last before the current one, else the one before in the plan)."`
}

func (c *backCmd) Run(a *app) error {
	return c.order(a, c.JSON, func(_ context.Context, b *logbook.Book, _ *store.Store, page logbook.Page) ([]campaign.Order, error) {
		cell, err := c.target(a, b, page)
		if err != nil {
			return nil, err
		}
		return []campaign.Order{{Verb: campaign.Back, Cell: b.Plan.Cell(cell), Stay: true, At: time.Now().UTC()}}, nil
	})
}

// partsOf returns the levels of a cell that are parts, which somebody has to build in.
func partsOf(b *logbook.Book, cell int) map[string]string {
	parts := b.Plan.Cell(cell)
	maps.DeleteFunc(parts, func(name, level string) bool { return level == "" || slices.Contains(settings, name) })
	return parts
}

// target finds the cell to go back to. No part is exchanged for it that is not named.
func (c *backCmd) target(a *app, b *logbook.Book, page logbook.Page) (int, error) {
	want, err := cellValues(b, c.Cell)
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
		return 0, cli.UsageError(errors.New("there is no cell to go back to: no pass is recorded yet"), "'capctl begin factor=level' goes to any cell")
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
		cells = both(named, built)
		a.say("assumed to be built in: %s", printable(pairs(parts)))
	}
	for _, i := range latest {
		if i != page.Position.Cell && slices.Contains(cells, i) {
			return i, nil
		}
	}
	if len(c.Cell) == 0 {
		return before(cells, here, parts)
	}
	return c.only(b, cells, named, parts)
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

// only is the one cell that was named, where it is one.
func (c *backCmd) only(b *logbook.Book, cells, named []int, parts map[string]string) (int, error) {
	asked := strings.Join(c.Cell, " ")
	switch {
	case len(cells) == 1:
		return cells[0], nil
	case len(cells) > 1:
		return 0, cli.UsageError(fmt.Errorf("%d cells have %s, and none of them has a pass", len(cells), asked), "name more factors")
	case len(named) > 0:
		return 0, cli.UsageError(fmt.Errorf("with %s no cell has %s", pairs(parts), asked),
			"name the part too, once it is in: capctl back "+asked+" "+firstDiffering(b, named[0], parts))
	}
	return 0, nowhere(parts)
}

func nowhere(parts map[string]string) error {
	return cli.UsageError(fmt.Errorf("with %s there is no cell to go back to", cmp.Or(pairs(parts), "the plan")),
		"name another part with 'capctl back factor=level', or go to any cell with 'capctl begin factor=level'")
}

// firstDiffering is the part of a cell that is not among those built in, as one types it.
func firstDiffering(b *logbook.Book, cell int, parts map[string]string) string {
	values := b.Plan.Cell(cell)
	for _, f := range b.Plan.Factors() {
		if is, ok := parts[f.Name]; ok && values[f.Name] != is {
			return quoted(f.Name) + "=" + quoted(values[f.Name])
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

// skipCmd is `capctl skip`.
type skipCmd struct {
	campaignFlag
	JSON bool     `name:"json" help:"One JSON object: the position."`
	Undo bool     `help:"Take cells up again that are skipped: those selected by the same words, without any those of the last 'capctl skip'."`
	What []string `arg:"" optional:"" name:"factor=level|id" help:"All cells with these levels, where * and ? match any text, and those of the passes with these identities; the options select cells by their passes, --tag by their levels (default: the current cell)."`
	filterFlags
}

func (c *skipCmd) Run(a *app) error {
	n, open := 0, 0
	err := c.order(a, c.JSON, func(ctx context.Context, b *logbook.Book, s *store.Store, page logbook.Page) ([]campaign.Order, error) {
		cells, err := c.cells(a, b, s, page)
		if err != nil {
			return nil, err
		}
		verb := campaign.Skip
		if c.Undo {
			verb = campaign.Keep
			if cells = slices.DeleteFunc(cells, func(i int) bool { return !page.Position.Skipped[i] }); len(cells) == 0 {
				return nil, cli.FailedError(errors.New("none of these cells is skipped"), "'capctl coverage --open' lists the skipped ones")
			}
		}
		at := time.Now().UTC() // one for all: they are undone together
		var orders []campaign.Order
		for _, i := range cells {
			n++
			open += page.Coverage.State(i).Missing()
			orders = append(orders, campaign.Order{Verb: verb, Cell: b.Plan.Cell(i), At: at})
		}
		return orders, nil
	})
	if err != nil {
		return err
	}
	if c.Undo {
		a.say("%s back in the plan, %s open", record.Count(n, "cell"), record.Count(open, "pass"))
		return nil
	}
	a.say("%s skipped, %s open; undo with '%s'", record.Count(n, "cell"), record.Count(open, "pass"), strings.Join(append([]string{"capctl skip --undo"}, c.words()...), " "))
	return nil
}

// words are what selected the cells, as one types it.
func (c *skipCmd) words() []string {
	var out []string
	typed := func(w string) string {
		name, value, ok := strings.Cut(w, "=")
		if !ok {
			return quoted(w)
		}
		return quoted(name) + "=" + quoted(value)
	}
	for _, w := range c.What {
		out = append(out, typed(w))
	}
	for _, t := range c.Tag {
		out = append(out, "--tag "+typed(t))
	}
	if c.Since != "" {
		out = append(out, "--since "+quoted(c.Since))
	}
	if c.Until != "" {
		out = append(out, "--until "+quoted(c.Until))
	}
	for _, v := range c.Verdict {
		out = append(out, "--verdict "+quoted(v))
	}
	return out
}

// cells returns the selected cells: by words alone the current one, or for --undo those
// that the last skip left out.
func (c *skipCmd) cells(a *app, b *logbook.Book, s *store.Store, page logbook.Page) ([]int, error) {
	var levels, ids []string
	for _, w := range c.What {
		if strings.Contains(w, "=") {
			levels = append(levels, w)
		} else {
			ids = append(ids, w)
		}
	}
	if len(levels)+len(ids) == 0 && c.isZero() {
		switch {
		case c.Undo:
			return lastSkipped(b, page), nil
		case page.Position.Cell < 0:
			return nil, cli.UsageError(errors.New("no cell is current"), "'capctl begin' starts the plan; 'capctl skip factor=level' names the cells")
		}
		return []int{page.Position.Cell}, nil
	}
	cells, err := matching(b, append(levels, c.Tag...))
	if err != nil {
		return nil, err
	}
	byPasses := c.filterFlags
	byPasses.Tag = nil // of cells, also of those without a pass
	if len(ids) > 0 || !byPasses.isZero() {
		passes, err := byPasses.named(a, s, ids)
		if err != nil {
			return nil, err
		}
		var of []int
		for _, p := range passes {
			if i, _ := b.Plan.Place(b.Named(p).Tags); i >= 0 {
				of = append(of, i)
			}
		}
		slices.Sort(of)
		cells = both(cells, slices.Compact(of))
	}
	if len(cells) == 0 {
		return nil, cli.UsageError(errors.New("no cell of the campaign is selected"), "'capctl coverage' shows the cells")
	}
	return cells, nil
}

// matching returns the cells whose levels match all of factor=pattern.
func matching(b *logbook.Book, words []string) ([]int, error) {
	all, err := b.Plan.Find(nil)
	if err != nil {
		return nil, cli.FailedError(err)
	}
	for _, w := range words {
		want, err := cellValues(b, []string{w})
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
				all = both(all, some)
				continue
			}
			all = slices.DeleteFunc(all, func(i int) bool {
				hit, err := path.Match(strings.ReplaceAll(level, "/", "\x00"), strings.ReplaceAll(b.Plan.Cell(i)[name], "/", "\x00"))
				return err != nil || !hit
			})
		}
	}
	return all, nil
}

// lastSkipped returns the cells that the last order to skip left out, as far as they still
// are.
func lastSkipped(b *logbook.Book, page logbook.Page) (cells []int) {
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
