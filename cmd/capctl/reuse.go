package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/report"
)

// reuseCmd is `capctl reuse`.
type reuseCmd struct {
	Old    []string `required:"" placeholder:"NAME=VALUE" help:"Tags of the older passes. May be repeated."`
	New    []string `required:"" placeholder:"NAME=VALUE" help:"Tags of the new passes. May be repeated."`
	Accept []string `placeholder:"NAME" help:"A difference that you take responsibility for, by its name in the list. May be repeated."`
	outputFlags
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
				return cli.UsageError(fmt.Errorf("%s %q has no =", x.flag, t), "write "+x.flag+" campaign=NAME, or another tag that tells these passes from the others")
			}
		}
	}
	old, err := filterFlags{Tag: c.Old}.passes(a)
	if err != nil {
		return err
	}
	fresh, err := filterFlags{Tag: c.New}.passes(a)
	if err != nil {
		return err
	}
	systems, err := systemsOf(a, append(old[:len(old):len(old)], fresh...))
	if err != nil {
		return err
	}
	o := c.options(a)
	gate := analysis.Comparable(old, fresh, systems, c.Accept, o)
	if c.JSON {
		if err := jsonLine(a.stdout, gate); err != nil {
			return cli.FailedError(err)
		}
	} else if n := len(gate.Differences); c.CSV && !gate.Refused && n > 0 { // one table alone in a file for a spreadsheet
		fmt.Fprintf(a.stderr, "capctl: %s, accepted or of no matter; they are listed without --csv\n", record.Count(n, "difference"))
	} else if err := c.differences(a, gate); err != nil {
		return err
	}
	if gate.Refused {
		fmt.Fprintf(a.stderr, "capctl: not comparable: %s and %s\n", record.Count(gate.OldPasses, "older pass"), record.Count(gate.NewPasses, "new pass"))
		return cli.ErrFound
	}
	fmt.Fprintf(a.stderr, "capctl: %s and %s may stand side by side\n", record.Count(gate.OldPasses, "older pass"), record.Count(gate.NewPasses, "new pass"))
	// Older and new cells stay cells of their own, told apart by their campaign or other tags.
	o.Factors = slices.Clone(factorsOf(o))
	for _, name := range tagNames(c.Old) {
		if !slices.Contains(o.Factors, name) {
			o.Factors = append(o.Factors, name)
		}
	}
	return printCells(a, c.outputFlags, analysis.Cells(append(old, fresh...), o), o)
}

func (c *reuseCmd) differences(a *app, gate analysis.Comparability) error {
	if len(gate.Differences) == 0 {
		return nil
	}
	return emit(a, c.outputFlags, gate.Differences, table.Row{"difference", "older", "new", "matters", "why"}, func(d analysis.Difference) table.Row {
		word := "no"
		if d.Matters {
			word = "yes"
		}
		if d.Accepted {
			word = "accepted"
		}
		return table.Row{d.Name, seenValues(d.Old), seenValues(d.New), word, d.Why}
	}, func() report.Table { return report.DifferenceTable(gate.Differences) })
}

func seenValues(list []string) string {
	for i, v := range list {
		if v == "" {
			list[i] = "unknown"
		}
	}
	return strings.Join(list, ", ")
}

func factorsOf(o analysis.Options) []string {
	if len(o.Factors) > 0 {
		return o.Factors
	}
	return append([]string(nil), record.CellFactors...)
}

func tagNames(tags []string) []string {
	var out []string
	for _, t := range tags {
		name, _, _ := strings.Cut(t, "=")
		out = append(out, name)
	}
	return out
}

// systemsOf reads the systems of passes.
func systemsOf(a *app, passes []record.Pass) (map[string]record.System, error) {
	out := map[string]record.System{}
	err := withStore(a, func(ctx context.Context, s reader) error {
		for _, p := range passes {
			if _, ok := out[p.System]; ok || p.System == "" {
				continue
			}
			sys, err := s.System(ctx, p.System)
			if err != nil {
				return cli.FailedError(fmt.Errorf("system %s: %w", p.System, err))
			}
			out[p.System] = sys
		}
		return nil
	})
	return out, err
}
