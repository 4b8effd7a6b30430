package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/reuse"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/report"
	"capd.example/store"
)

// reuseCmd is `capctl reuse`.
type reuseCmd struct {
	New []string `placeholder:"NAME=VALUE" help:"Tags of the new passes (default: those of the campaign in force). May be repeated."`
	output.Form
	analysisFlags
}

// Run ends with status 1 where the older cells are refused.
func (c *reuseCmd) Run(a *app) error {
	for _, x := range []struct {
		flag string
		tags []string
	}{{"--old", c.Old}, {"--new", c.New}} {
		for _, t := range x.tags {
			if !strings.Contains(t, "=") {
				return cli.UsageError(fmt.Errorf("%s %q has no =", x.flag, t),
					"write "+x.flag+" campaign=NAME, or another tag that tells these passes from the others")
			}
		}
	}
	old, fresh, err := c.both(a)
	if err != nil {
		return err
	}
	systems, err := systemsOf(a, append(old[:len(old):len(old)], fresh...))
	if err != nil {
		return err
	}
	o := c.options(a)
	gate := reuse.Comparable(old, fresh, systems, c.Accept, o)
	if c.JSON {
		if err := output.JSON(a.stdout, gate); err != nil {
			return cli.FailedError(err)
		}
	} else if n := len(gate.Differences); c.CSV && !gate.Refused && n > 0 { // one table alone in a file for a spreadsheet
		safe.Fprintf(a.stderr, "capctl: %s, accepted or harmless; leave out --csv to list them\n",
			record.Count(n, "difference"))
	} else if err := results.PrintDifferences(a.Streams, c.Form, gate,
		func() output.Data { return report.DifferenceTable(gate.Differences) }); err != nil {
		return err
	}
	if gate.Refused {
		safe.Fprintf(a.stderr, "capctl: not comparable: %s and %s\n", record.Count(gate.OldPasses, "older pass"),
			record.Count(gate.NewPasses, "new pass"))
		return cli.ErrFound
	}
	safe.Fprintf(a.stderr, "capctl: %s and %s are comparable\n", record.Count(gate.OldPasses, "older pass"),
		record.Count(gate.NewPasses, "new pass"))
	// Older and new cells stay cells of their own, told apart by their campaign or other tags.
	o.Factors = slices.Clone(selection.FactorsOf(o))
	for _, name := range selection.TagNames(c.Old) {
		if !slices.Contains(o.Factors, name) {
			o.Factors = append(o.Factors, name)
		}
	}
	cells := analysis.Cells(append(old, fresh...), o)
	return results.PrintCells(a.Streams, c.Form, cells, o,
		func() output.Data { return report.CellTable(cells, selection.FactorsOf(o)) })
}

// both returns the older and the new passes.
func (c *reuseCmd) both(a *app) (old, fresh []record.Pass, err error) {
	if len(c.Old) == 0 {
		return nil, nil, cli.UsageError(errors.New("--old is missing: it names the older passes"),
			"type: capctl reuse --old campaign=NAME, or another tag that tells them from the new ones")
	}
	if len(c.New) == 0 && cmp.Or(c.Campaign, a.config.Campaign) == "" {
		return nil, nil, cli.UsageError(errors.New("--new is missing, and the configuration names no campaign"),
			"type: capctl reuse --old campaign=NAME --new campaign=NAME")
	}
	err = withStore(a, func(_ context.Context, r store.Reader) (err error) {
		if old, err = (selection.Filter{Tag: c.Old}).Named(a.ctx, r, nil); err != nil {
			return err
		}
		filter := selection.Filter{Tag: c.New}
		if fresh, err = filter.Named(a.ctx, r, nil); err != nil || len(c.New) > 0 {
			return err
		}
		s, err := c.open(a, r, filterFlags{filter})
		if err != nil {
			return err
		}
		fresh, _ = s.Own(fresh)
		mine := map[string]bool{}
		for _, p := range fresh {
			mine[p.ID] = true
		}
		old = slices.DeleteFunc(old, func(p record.Pass) bool { return mine[p.ID] })
		return nil
	})
	return old, fresh, err
}

// systemsOf reads the systems of passes.
func systemsOf(a *app, passes []record.Pass) (map[string]record.System, error) {
	var out map[string]record.System
	err := withStore(a, func(_ context.Context, r store.Reader) (err error) {
		out, err = selection.SystemsIn(a.ctx, r, passes)
		return err
	})
	return out, err
}
